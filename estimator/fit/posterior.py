"""The posterior: named draws, paths by day, and whether the sampling can be trusted.

The only module that touches ArviZ, whose function signatures differ between 0.x and 1.x only in
what is avoided here: both take an xarray Dataset with dimensions `chain` and `draw`.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import xarray as xr
from scipy import stats
from scipy.special import ndtr

from estimator import units
from estimator.fit.likelihood import (
    MISREAD_CHANCE,
    MISREAD_SPREAD,
    class_chances,
    draw_path_at,
    frame_of,
)
from estimator.fit.priors import (
    DRIFT_AT,
    EFFLUENT_DRIFT_AT,
    EXPONENT_AT,
    GAIN_AT,
    LIGHT_AT,
    PHYSICAL_PRIORS,
    SHARE_AT,
    UPTAKE_AT,
    VOLUME_AT,
    PriorTable,
    prior_table,
)
from estimator.fit.sampling import Trace
from estimator.fit.schedule import Schedule
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.records import Reading
from estimator.inputs.tank import Tank
from estimator.water.light import day_shape, light_share, lit_fraction

R_HAT_LIMIT = 1.01
ESS_LIMIT = 400
"""Vehtari et al. 2021 (Bayesian Analysis 16:667): rank-normalised split R-hat below 1.01 and bulk
effective sample size of at least 100 per chain."""
DIVERGENCE_LIMIT = 0.001
"""Largest share of draws that may be divergent: one in a thousand does not move a 90 % range."""
PARETO_LIMIT = 0.7
ODD_SURPRISE = -0.5 * 3.0**2
CHECKED_DAYS, CHECKED_SPAN_D = 40, 60
"""Days of the uptake path that enter the checks, and how far back: neighbouring days are nearly the
same draw, and nothing that is advised hangs on a day long past."""


@dataclass(frozen=True)
class Diagnostics:
    """How the sampling went, over every reported quantity.

    `worst` names the quantity with the smallest bulk ESS; `failures` are plain sentences, empty
    where all checks pass.
    """

    r_hat_max: float
    ess_bulk_min: float
    ess_tail_min: float
    worst: str
    divergences: int
    chains: int
    draws: int
    failures: tuple[str, ...]


NOT_CHECKED = Diagnostics(np.inf, 0.0, 0.0, "", 0, 0, 0, ("the sampling was not checked",))


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


@dataclass(frozen=True)
class Posterior:
    """Draws (s,) in a fixed order, chain by chain, canonical units.

    Attributes:
        chains: number of chains; s = chains × draws.
        volume_l, light_share, calcium_share, exponent, drift, effluent_drift: see `model`.
        uptake_scale: meq/L/day that a relative change of 1 means.
        days: local days from the first entry to the last.
        uptake_meq_l_d: (s, days) net biological alkalinity uptake, daily mean.
        calcium_uptake_mmol_l_d: (s, days) by calcification.
        alkalinity_meq_l: (s, days) daily mean level.
        calcium_mmol_l: the same, or None where calcium was never tested.
        alkalinity_now_meq_l, calcium_now_mmol_l: level at the last entry, freed of the light's
            and of routine hand dosing's swing within the day.
        nitrate_loss_meq_l_d: (s,) part of the uptake now that is nitrate production, or None.
        effluent_gain_meq_l: (s,) now, over the middle of the band, at the reference flow.
        effluent_meq_l: (s,) effluent alkalinity now at the present flow (the planned one where
            the reactor never ran).
        middle_meq_l: middle of the alkalinity band.
        reference_flow_l_d: flow at which `effluent_gain_meq_l` holds, None where none ran.
        present_flow_l_d: at the last entry.
        dosed_meq_d: alkalinity being dosed at the last entry, by rate and by hand.
        effluent_tested: an effluent reading is in the fit.
        kit_gain: by (kit, bottle) (s,).
        kit_repeatability: by kit (s,), canonical units.
        checks: one per used reading, in time order.
        net_change: no addition is in the log; uptake is the net change.
        diagnostics: see `Diagnostics`.
    """

    chains: int
    volume_l: np.ndarray
    light_share: np.ndarray
    calcium_share: np.ndarray
    exponent: np.ndarray
    drift: np.ndarray
    effluent_drift: np.ndarray
    uptake_scale: np.ndarray
    days: tuple[date, ...]
    uptake_meq_l_d: np.ndarray
    calcium_uptake_mmol_l_d: np.ndarray
    alkalinity_meq_l: np.ndarray
    calcium_mmol_l: np.ndarray | None
    alkalinity_now_meq_l: np.ndarray
    calcium_now_mmol_l: np.ndarray | None
    nitrate_loss_meq_l_d: np.ndarray | None
    effluent_gain_meq_l: np.ndarray
    effluent_meq_l: np.ndarray
    middle_meq_l: float
    reference_flow_l_d: float | None
    present_flow_l_d: float
    dosed_meq_d: float
    effluent_tested: bool
    kit_gain: Mapping[tuple[str, int], np.ndarray]
    kit_repeatability: Mapping[str, np.ndarray]
    checks: tuple[ReadingCheck, ...]
    net_change: bool
    diagnostics: Diagnostics

    @property
    def scatter(self) -> Scatter:
        """How the used readings lie about the model."""
        return scatter_of(self.checks)

    @property
    def needed_flow_l_d(self) -> np.ndarray:
        """(s,) flow that would hold the middle of the band, nothing being dosed, L/day."""
        return supply_flow_l_d(
            self.uptake_now_meq_l_d,
            self.volume_l,
            self.effluent_gain_meq_l,
            self.exponent,
            self.reference_flow_l_d,
        )

    @property
    def uptake_now_meq_l_d(self) -> np.ndarray:
        """(s,) net alkalinity uptake on the last day."""
        return self.uptake_meq_l_d[:, -1]

    @property
    def calcium_uptake_now_mmol_l_d(self) -> np.ndarray:
        """(s,) calcium uptake on the last day."""
        return self.calcium_uptake_mmol_l_d[:, -1]


def supply_flow_l_d(
    uptake_meq_l_d: np.ndarray,
    volume_l: np.ndarray,
    gain_meq_l: np.ndarray,
    exponent: np.ndarray,
    reference_flow_l_d: float | None,
) -> np.ndarray:
    """Flow that puts back the uptake while the tank stands at the middle of its band, L/day.

    Solves (F/V)·X·(F/F_ref)^(−ε) = U: F = F_ref (U V / (F_ref X))^(1/(1−ε)), or U V / X where no
    flow was ever run. No uptake needs no flow. All arguments (s,) but the last.
    """
    load = np.clip(uptake_meq_l_d, 0.0, None) * volume_l / np.clip(gain_meq_l, 1e-9, None)
    if reference_flow_l_d is None:
        return load
    with np.errstate(over="ignore"):
        flow = reference_flow_l_d * (load / reference_flow_l_d) ** (1.0 / (1.0 - exponent))
    return np.minimum(flow, 1e9)


def collect(
    schedule: Schedule, tank: Tank, trace: Trace, seed: np.random.SeedSequence
) -> Posterior:
    """Draw the levels that go with every draw of the parameters, and check the sampling.

    Args:
        schedule, tank: the log and the tank.
        trace: draws of the parameters and classes.
        seed: for the levels, which are drawn exactly given each draw.
    """
    table = prior_table(schedule, tank)
    chains, per_chain, _ = trace.natural.shape
    natural = trace.natural.reshape(chains * per_chain, -1)
    misread = trace.misread.reshape(chains * per_chain, -1)
    states, expected = _draw_states(schedule, table, natural, misread, np.random.default_rng(seed))
    posterior = describe(schedule, tank, natural, states, chains)
    return replace(
        posterior,
        checks=_check_readings(schedule, natural, expected, chains),
        diagnostics=diagnose(reported(posterior), chains, trace.divergences),
    )


def describe(
    schedule: Schedule, tank: Tank, natural: np.ndarray, states: DayStates, chains: int
) -> Posterior:
    """What draws of parameters and states mean for the tank.

    Args:
        schedule, tank: the log and the tank.
        natural: (s, p) parameters on their natural scales.
        states: the states that go with them.
        chains: number of chains the draws come from.

    Returns:
        A posterior without reading checks, its diagnostics still empty.
    """
    net_change = not schedule.additions
    volume = natural[:, VOLUME_AT]
    share = light_share(natural[:, LIGHT_AT], lit_fraction(tank))
    uptake_start = natural[:, UPTAKE_AT]
    scale = np.full_like(uptake_start, units.MEQ_L_PER_DKH) if net_change else uptake_start
    calcified = uptake_start[:, None] + scale[:, None] * states.uptake
    nitrate = states.nitrate_rate
    uptake = calcified if nitrate is None else calcified + nitrate
    # How far a level under steady supply stands below its daily mean, in days of uptake.
    midnight = day_shape(tank, share, 0.0)
    end = day_shape(tank, share, float(schedule.step_time_d[-1]) % 1.0)
    calcium_uptake = natural[:, SHARE_AT, None] * calcified
    routines = schedule.settings.hand_dosing
    hand_alkalinity = sum(r.alkalinity_meq * r.part_of_dose_above_mean for r in routines)
    hand_calcium = sum(r.calcium_mmol * r.part_of_dose_above_mean for r in routines)
    alkalinity_now = states.alkalinity[:, -1] + calcified[:, -1] * end - hand_alkalinity / volume
    calcium = calcium_now = None
    if states.calcium is not None:
        calcium = _daily_mean(states.calcium, calcium_uptake, midnight, end)
        calcium_now = states.calcium[:, -1] + calcium_uptake[:, -1] * end - hand_calcium / volume
    gain = natural[:, GAIN_AT] * np.clip(1.0 + states.effluent, 0.05, None)
    first_kit = PHYSICAL_PRIORS + len(schedule.gains)
    return Posterior(
        chains=chains,
        volume_l=volume,
        light_share=share,
        calcium_share=natural[:, SHARE_AT],
        exponent=natural[:, EXPONENT_AT],
        drift=natural[:, DRIFT_AT],
        effluent_drift=natural[:, EFFLUENT_DRIFT_AT],
        uptake_scale=scale,
        days=tuple(schedule.origin.date() + timedelta(days=j) for j in range(schedule.days)),
        uptake_meq_l_d=uptake,
        calcium_uptake_mmol_l_d=calcium_uptake,
        alkalinity_meq_l=_daily_mean(states.alkalinity, calcified, midnight, end),
        calcium_mmol_l=calcium,
        alkalinity_now_meq_l=alkalinity_now,
        calcium_now_mmol_l=calcium_now,
        nitrate_loss_meq_l_d=None if nitrate is None else nitrate[:, -1],
        effluent_gain_meq_l=gain,
        effluent_meq_l=_effluent(schedule, gain, natural[:, EXPONENT_AT], alkalinity_now),
        middle_meq_l=schedule.shape.middle,
        reference_flow_l_d=schedule.reference_flow_l_d,
        present_flow_l_d=schedule.present_flow_l_d,
        dosed_meq_d=schedule.settings.dosed_now_meq_d,
        effluent_tested=any(r.sample == "effluent" for r in schedule.readings),
        kit_gain={pair: natural[:, PHYSICAL_PRIORS + i] for i, pair in enumerate(schedule.gains)},
        kit_repeatability={
            kit.name: natural[:, first_kit + i] for i, kit in enumerate(schedule.kits)
        },
        checks=(),
        net_change=net_change,
        diagnostics=NOT_CHECKED,
    )


def _effluent(
    schedule: Schedule, gain: np.ndarray, exponent: np.ndarray, alkalinity: np.ndarray
) -> np.ndarray:
    """Effluent alkalinity (s,) at the present flow, or the reference flow where the pump stands."""
    reference = schedule.reference_flow_l_d
    if reference is None:
        return schedule.shape.middle + gain
    ratio = (schedule.present_flow_l_d or reference) / reference
    off_middle = (1 - exponent) * (alkalinity - schedule.shape.middle)
    return alkalinity + (gain - off_middle) * ratio**-exponent


def reported(posterior: Posterior) -> dict[str, np.ndarray]:
    """Every reported quantity by name, draws (s,): what the checks of sampling look at."""
    # The needed flow spans orders of magnitude where data are few: checked as its logarithm.
    needed = posterior.needed_flow_l_d
    quantities = {
        "water volume": posterior.volume_l,
        "uptake now": posterior.uptake_now_meq_l_d,
        "calcium uptake now": posterior.calcium_uptake_now_mmol_l_d,
        "calcium per alkalinity": posterior.calcium_share,
        "alkalinity now": posterior.alkalinity_now_meq_l,
        "effluent alkalinity": posterior.effluent_meq_l,
        "needed flow": np.log(np.clip(needed, 1e-6, None)),
    }
    if posterior.calcium_now_mmol_l is not None:
        quantities["calcium now"] = posterior.calcium_now_mmol_l
    for (name, bottle), draws in posterior.kit_gain.items():
        quantities[f"gain of {name}, bottle {bottle + 1}"] = draws
    for name, draws in posterior.kit_repeatability.items():
        quantities[f"repeatability of {name}"] = draws
    first = max(0, len(posterior.days) - CHECKED_SPAN_D)
    every = max(1, -(-(len(posterior.days) - first) // CHECKED_DAYS))
    for j in range(first, len(posterior.days), every):
        quantities[f"uptake on {posterior.days[j]}"] = posterior.uptake_meq_l_d[:, j]
    return quantities


@dataclass(frozen=True)
class DayStates:
    """Draws of the states (s, days), canonical units.

    alkalinity, calcium: levels at the end of each local day (the last: at the last entry). uptake,
    nitrate_rate: what holds during each day, the last day's as it stands at the last entry.
    effluent: (s,) at the last entry. None where the log has no use for a state.
    """

    alkalinity: np.ndarray
    calcium: np.ndarray | None
    uptake: np.ndarray
    nitrate_rate: np.ndarray | None
    effluent: np.ndarray


def day_states(schedule: Schedule, paths: np.ndarray) -> DayStates:
    """Pick the days out of paths (s, n, d) over all steps."""
    layout = schedule.layout
    edges = np.append(schedule.day_step[1:], len(schedule.step_time_d) - 1)
    ends = paths[:, edges]

    def held(state: int) -> np.ndarray:
        """A state that changes at midnights and events: on each day what it began with."""
        values = np.concatenate([paths[:, :1, state], ends[:, :-1, state]], axis=1)
        values[:, -1] = ends[:, -1, state]
        return values

    calcium = nitrate_rate = None
    if layout.z >= 0:
        calcium = ends[:, :, layout.z] + schedule.shape.media_calcium * ends[:, :, 0]
    if layout.nitrate_rate >= 0:
        nitrate_rate = held(layout.nitrate_rate)
    effluent = np.zeros(len(paths))
    if layout.effluent >= 0:
        effluent = ends[:, -1, layout.effluent].copy()
    return DayStates(
        alkalinity=ends[:, :, 0],
        calcium=calcium,
        uptake=held(layout.uptake),
        nitrate_rate=nitrate_rate,
        effluent=effluent,
    )


BLOCK = 200
"""Paths held at once while days are picked out, to keep memory small."""


def _draw_states(
    schedule: Schedule,
    table: PriorTable,
    natural: np.ndarray,
    misread: np.ndarray,
    rng: np.random.Generator,
) -> tuple[DayStates, np.ndarray]:
    """One draw of the states per draw of the parameters, and expected readings (s, m)."""
    frame = frame_of(schedule, table)
    shape = (len(schedule.step_time_d) + 1, schedule.layout.size + 1)
    expected = np.empty((len(natural), len(schedule.readings)))
    blocks = []
    for start in range(0, len(natural), BLOCK):
        paths = []
        for s in range(start, min(start + BLOCK, len(natural))):
            path, expected[s] = draw_path_at(
                table.theta(natural[s]),
                MISREAD_SPREAD[misread[s]],
                frame,
                rng.standard_normal(shape),
            )
            paths.append(path)
        blocks.append(day_states(schedule, np.array(paths)))

    whole: dict[str, Any] = {}
    for field in fields(DayStates):
        parts = [getattr(block, field.name) for block in blocks]
        whole[field.name] = None if parts[0] is None else np.concatenate(parts)
    return DayStates(**whole), expected


def _daily_mean(
    ends: np.ndarray, uptake: np.ndarray, midnight: np.ndarray, end: np.ndarray
) -> np.ndarray:
    """Daily means (s, days) of a level from its values at the end of each day.

    Each value is freed of the light's swing at its time of day (midnight, or the last entry's),
    then the two ends of a day are averaged. The first day has one end only.

    Args:
        ends: (s, days) levels.
        uptake: (s, days) of what follows the light, per day.
        midnight, end: (s,) `day_shape` at midnight and at the last entry's time of day.
    """
    shape = np.repeat(midnight[:, None], ends.shape[1], axis=1)
    shape[:, -1] = end
    level = ends + uptake * shape
    begins = np.concatenate([level[:, :1], level[:, :-1]], axis=1)
    return 0.5 * (begins + level)


def _check_readings(
    schedule: Schedule, natural: np.ndarray, expected: np.ndarray, chains: int
) -> tuple[ReadingCheck, ...]:
    """Every reading against draws of what it was expected to be (s, m)."""
    at = schedule.reading_step
    value, rounding = schedule.steps["value"][at], schedule.steps["rounding"][at]
    first_kit = natural.shape[1] - len(schedule.kits)
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
    median = np.median(expected, axis=0)
    error = np.sqrt(np.median(variance, axis=0))
    surprise = _left_out(log_density, chains) + np.log(error)
    surprise -= np.log(np.sum(MISREAD_CHANCE / MISREAD_SPREAD))
    return tuple(
        ReadingCheck(
            reading=reading,
            expected=float(median[m]),
            error_sd=float(error[m]),
            chance_ordinary=float(ordinary[m] / len(natural)),
            place=float(place[m] / len(natural)),
            surprise=float(surprise[m]),
        )
        for m, reading in enumerate(schedule.readings)
    )


def _left_out(log_density: np.ndarray, chains: int) -> np.ndarray:
    """Log density of each reading given all others (m,), by Pareto-smoothed importance sampling.

    Vehtari, Gelman & Gabry 2017 (Statistics and Computing 27:1413), through ArviZ. NaN where the
    Pareto k is above 0.7, that is where one reading holds its own level up.

    Args:
        log_density: (s, m).
        chains: number of chains.
    """
    import arviz as az

    draws, readings = log_density.shape
    values = log_density.reshape(chains, draws // chains, readings)
    groups: dict[str, Any] = {
        "posterior": {"m": values[:, :, 0]},
        "log_likelihood": {"y": values},
    }
    new_style = int(az.__version__.split(".")[0]) >= 1
    data = az.from_dict(groups) if new_style else az.from_dict(**groups)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        left_out = az.loo(data, pointwise=True)
    density = np.asarray(left_out.elpd_i if new_style else left_out.loo_i)
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
    import arviz as az

    # A quantity that cannot move, such as the flow that a tank with no uptake needs, is settled.
    names = [name for name, x in reported.items() if np.ptp(x) > 0.0]
    draws = np.stack([np.reshape(reported[name], (chains, -1)) for name in names], axis=-1)
    data = xr.Dataset({"x": (("chain", "draw", "quantity"), draws)})
    r_hat = np.asarray(az.rhat(data)["x"])
    bulk = np.asarray(az.ess(data, method="bulk")["x"])
    tail = np.asarray(az.ess(data, method="tail")["x"])
    failures = []
    if not np.all(r_hat <= R_HAT_LIMIT):
        failures.append(
            f"the chains disagree on {names[int(np.argmax(r_hat))]} "
            f"(R-hat {np.max(r_hat):.3f}, at most {R_HAT_LIMIT} allowed)"
        )
    if not np.all(bulk >= ESS_LIMIT):
        failures.append(
            f"too few independent draws of {names[int(np.argmin(bulk))]} "
            f"({np.min(bulk):.0f}, at least {ESS_LIMIT} needed)"
        )
    if divergences > DIVERGENCE_LIMIT * draws.shape[0] * draws.shape[1]:
        failures.append(
            f"{divergences} divergent transitions in {draws.shape[0] * draws.shape[1]} draws "
            "(at most one in a thousand allowed)"
        )
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
