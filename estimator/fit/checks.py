"""Can the fit be trusted: every reading against the model, and how the sampling went.

ArviZ gets an xarray Dataset with dimensions `chain`, `draw`, which both of its versions take.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import xarray as xr
from scipy import stats
from scipy.special import ndtr

from estimator.fit.either_arviz import arviz_data, is_new, load_arviz
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD, class_chances
from estimator.fit.schedule import Schedule
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import Reading
from estimator.remark import Remark

R_HAT_LIMIT = 1.01
ESS_LIMIT = 400
"""Vehtari et al. 2021 (Bayesian Analysis 16:667): rank-normalised split R-hat below 1.01, bulk and
tail effective sample sizes of at least 100 per chain."""
DIVERGENCE_LIMIT = 0.001
"""Largest share of draws that may be divergent: one in a thousand does not move a 90 % range."""
PARETO_LIMIT = 0.7
ODD_SURPRISE = -0.5 * 3.0**2


@dataclass(frozen=True)
class Diagnostics:
    """How the sampling went, over every reported quantity.

    `worst` names the quantity with the smallest bulk ESS; `failures` is empty where all checks
    pass.
    """

    r_hat_max: float
    ess_bulk_min: float
    ess_tail_min: float
    worst: str
    divergences: int
    chains: int
    draws: int
    failures: tuple[Remark, ...]


NOT_CHECKED = Diagnostics(np.inf, 0.0, 0.0, "", 0, 0, 0, (Remark("fit_not_checked"),))


@dataclass(frozen=True)
class ReadingCheck:
    """One used reading against the model.

    Attributes:
        reading: the record.
        expected: median of what the kit was expected to show, canonical units.
        error_sd: sd of an ordinary reading's error, canonical units.
        chance_ordinary: posterior chance that its error was an ordinary one.
        place: where the reading lies in its predictive distribution, 0 to 1.
        surprise: log density of the reading predicted from all others, less its highest possible
            value; −½z² for a reading z predictive sds away. NaN where leaving it out is unreliable
            (Pareto k above 0.7).
    """

    reading: Reading
    expected: float
    error_sd: float
    chance_ordinary: float
    place: float
    surprise: float

    @property
    def residual(self) -> float:
        """Reading less expectation, in kit errors."""
        return (self.reading.value - self.expected) / self.error_sd

    @property
    def is_odd(self) -> bool:
        """More likely misread than not, or three predictive sds from what the others say."""
        return self.chance_ordinary < 0.5 or self.surprise < ODD_SURPRISE


@dataclass(frozen=True)
class Evidence:
    """The used readings beside the draws, in time order, canonical units.

    Attributes:
        value: (m,) read, at the tank's stated salinity as the fit takes it.
        expected: (s, m) what the kit was to show without its error.
        log_density: (s, m) log density of the reading given that draw's `expected` and
            repeatability: ordinary or misread, a mixture of four normals.
    """

    value: np.ndarray
    expected: np.ndarray
    log_density: np.ndarray


@dataclass(frozen=True)
class Scatter:
    """How all readings together lie about the model.

    Attributes:
        readings: how many.
        share_50, share_90: shares inside their own 50 and 90 % predictive ranges.
        least_50, least_90: the shares that 99 of 100 right models would exceed.
        runs, runs_low, runs_high: runs of tank alkalinity readings on one side of the model, and
            the range that 99 of 100 independent orders give (Wald & Wolfowitz 1940).
    """

    readings: int
    share_50: float
    share_90: float
    least_50: float
    least_90: float
    runs: int
    runs_low: float
    runs_high: float

    @property
    def passes(self) -> bool:
        """Whether the readings scatter as their kits should."""
        enough = self.share_50 >= self.least_50 and self.share_90 >= self.least_90
        return enough and self.runs >= self.runs_low


def check_readings(
    schedule: Schedule, natural: np.ndarray, expected: np.ndarray, chains: int
) -> tuple[tuple[ReadingCheck, ...], Evidence]:
    """Every reading against draws of what it was expected to be (s, m), and these draws."""
    at = schedule.reading_step
    value, rounding = schedule.steps["value"][at], schedule.steps["rounding"][at]
    first_kit = schedule.shape.first_repeatability
    repeat = natural[:, first_kit + schedule.steps["kit"][at]]
    variance = (schedule.steps["scatter"][at] * repeat) ** 2 + rounding
    residual = value - expected
    ordinary = np.zeros(len(value))
    place = np.zeros(len(value))
    log_density = np.empty_like(residual)
    for s in range(len(natural)):
        ordinary += class_chances(residual[s], variance[s])[:, 0]
        scaled = residual[s][:, None] / np.sqrt(variance[s])[:, None] / MISREAD_SPREAD
        place += ndtr(scaled) @ MISREAD_CHANCE
        density = np.exp(-0.5 * scaled**2) @ (MISREAD_CHANCE / MISREAD_SPREAD)
        log_density[s] = np.log(density + 1e-300) - 0.5 * np.log(variance[s])
    # The fit's values are at the stated salinity, the kit's at that of the day.
    read = np.array([reading.value for reading in schedule.readings])
    of_day = np.where(value > 0, read / np.where(value > 0, value, 1.0), 1.0)
    median = np.median(expected, axis=0) * of_day
    error = np.sqrt(np.median(variance, axis=0))
    surprise = _left_out(log_density, chains) + np.log(error)
    surprise -= np.log(np.sum(MISREAD_CHANCE / MISREAD_SPREAD))
    checks = tuple(
        ReadingCheck(
            reading=reading,
            expected=float(median[m]),
            error_sd=float(error[m] * of_day[m]),
            chance_ordinary=float(ordinary[m] / len(natural)),
            place=float(place[m] / len(natural)),
            surprise=float(surprise[m]),
        )
        for m, reading in enumerate(schedule.readings)
    )
    # Of a normal: the root of 2π is left out above, where it cancels.
    return checks, Evidence(value, expected, log_density - 0.5 * np.log(2 * np.pi))


def _left_out(log_density: np.ndarray, chains: int) -> np.ndarray:
    """Log density of each reading given all others (m,), by Pareto-smoothed importance sampling.

    Vehtari, Gelman & Gabry 2017 (Statistics and Computing 27:1413), through ArviZ. NaN where the
    Pareto k is above 0.7, that is where one reading holds its own level up.

    Args:
        log_density: (s, m).
        chains: number of chains.
    """
    az = load_arviz()
    draws, readings = log_density.shape
    values = log_density.reshape(chains, draws // chains, readings)
    dims = ("chain", "draw")
    data = arviz_data(
        {
            "posterior": xr.Dataset({"m": (dims, values[:, :, 0])}),
            "log_likelihood": xr.Dataset({"y": ((*dims, "reading"), values)}),
        }
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        left_out = az.loo(data, pointwise=True)
    density = np.asarray(left_out.elpd_i if is_new() else left_out.loo_i)
    return np.where(np.asarray(left_out.pareto_k) > PARETO_LIMIT, np.nan, density)


def scatter_of(checks: Sequence[ReadingCheck]) -> Scatter:
    """Shares inside predictive ranges and runs of one sign.

    The model has seen the readings, so shares above the nominal ones are expected; too few inside
    is what shows a model that misses something.
    """
    place = np.array([check.place for check in checks])
    count = len(place)
    signs = [
        check.residual > 0
        for check in checks
        if (check.reading.sample, check.reading.parameter) == ("tank", ALKALINITY.name)
    ]
    above = sum(signs)
    below = len(signs) - above
    runs = 1 + sum(a != b for a, b in pairwise(signs))
    middle = 1 + 2 * above * below / max(len(signs), 1)
    spread = np.sqrt(max((middle - 1) * (middle - 2) / max(len(signs) - 1, 1), 0.0))
    return Scatter(
        readings=count,
        share_50=float(np.mean((place >= 0.25) & (place <= 0.75))),
        share_90=float(np.mean((place >= 0.05) & (place <= 0.95))),
        least_50=float(stats.binom.ppf(0.01, count, 0.5) / count),
        least_90=float(stats.binom.ppf(0.01, count, 0.9) / count),
        runs=runs,
        runs_low=float(middle - 2.58 * spread),
        runs_high=float(middle + 2.58 * spread),
    )


def diagnose(reported: Mapping[str, np.ndarray], chains: int, divergences: int) -> Diagnostics:
    """R-hat and effective sample sizes of every reported quantity.

    Args:
        reported: draws (s,) by name, chain by chain.
        chains: number of chains.
        divergences: counted by the sampler.
    """
    az = load_arviz()
    # A quantity that cannot move, such as the flow that a tank with no uptake needs, is settled.
    names = [name for name, x in reported.items() if np.ptp(x) > 0.0]
    draws = np.stack([np.reshape(reported[name], (chains, -1)) for name in names], axis=-1)
    data = xr.Dataset({"x": (("chain", "draw", "quantity"), draws)})
    r_hat = np.asarray(az.rhat(data)["x"])
    bulk = np.asarray(az.ess(data, method="bulk")["x"])
    tail = np.asarray(az.ess(data, method="tail")["x"])
    failures = []
    if not np.all(r_hat <= R_HAT_LIMIT):
        worst = {"quantity": names[int(np.argmax(r_hat))], "r_hat": float(np.max(r_hat))}
        failures.append(Remark("fit_chains_disagree", worst | {"r_hat_limit": R_HAT_LIMIT}))
    fewest = np.minimum(bulk, tail)
    if not np.all(fewest >= ESS_LIMIT):
        worst = {"quantity": names[int(np.argmin(fewest))], "ess": float(np.min(fewest))}
        failures.append(Remark("fit_few_draws", worst | {"ess_limit": ESS_LIMIT}))
    total = draws.shape[0] * draws.shape[1]
    if divergences > DIVERGENCE_LIMIT * total:
        failures.append(Remark("fit_divergent", {"divergences": divergences, "draws": total}))
    return Diagnostics(
        r_hat_max=float(np.max(r_hat)),
        ess_bulk_min=float(np.min(bulk)),
        ess_tail_min=float(np.min(tail)),
        worst=names[int(np.argmin(bulk))],
        divergences=divergences,
        chains=chains,
        draws=draws.shape[1],
        failures=tuple(failures),
    )
