"""Whether the media's magnesium keeps up with what is taken up.

Magnesium readings are not in the fit, since magnesium tells nothing of alkalinity. They have a
linear Gaussian model of their own, solved in closed form for every draw of the posterior:

    dM/dt = a·D/V + doses/V − m·u_Ca,   and at a water change   M ← (1 − r) M + r W

with D mol of carbonate dissolved a day, a the magnesium in it per mol, u_Ca the calcium taken up,
m the magnesium taken up per mol of it, r the part of the water renewed and W the new water's level.
a is given for each draw (`water.media`): the tank's readings tell the sum alone, to which m gives
way. A kit reads (1 + γ) M; γ multiplies the reading itself, which is M but for a few per cent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from estimator import units
from estimator.advice.dissolved import Dissolved
from estimator.fit.bottles import USUAL_CALIBRATION_SD, bottles_of
from estimator.fit.fitting import Fit
from estimator.fit.priors import BOTTLE_CORRELATION
from estimator.inputs.parameters import MAGNESIUM
from estimator.inputs.records import Reading
from estimator.inputs.tank import Tank
from estimator.water.media import reading_variance
from estimator.water.settings import actions_of, day_of

DAYS_PER_MONTH = 30.0

_MG = units.MG_G_MOL
START_MAGNESIUM = (1320.0 / _MG, 90.0 / _MG)
"""Tank magnesium at the start of the log: reefs are kept at 1250 to 1400 mg/L (common practice, no
source) around the 1314 mg/L of seawater (Millero et al. 2008 composition)."""
WATER_MAGNESIUM_SD = 25.0 / _MG
UNSTATED_WATER_MAGNESIUM = (1314.0 / _MG, 60.0 / _MG)
MAGNESIUM_UPTAKE = (0.03, 0.03)
"""mol of magnesium per mol of calcium taken up: 0.0042 in coral aragonite (from memory), 0.10 to
0.15 in the high-magnesium calcite of coralline algae (above 0.04: Stanley, Ries & Hardie 2002)."""
BELIEVED_SHARE = 0.10
"""Magnesium medium at about a tenth of the media's volume is said to keep a tank's magnesium
(common practice, no source). That takes it to dissolve like the rest."""


@dataclass(frozen=True)
class Magnesium:
    """The magnesium balance, draws (s,).

    Attributes:
        readings: how many of the tank.
        now_mmol_l: level at the last entry.
        uptake_ratio: mol of magnesium taken up per mol of calcium.
        share: magnesium per mol of carbonate dissolved, of the present media; as given.
        needed_share: the share that would hold the level; never negative.
        trend_mmol_l_d: of the level while the reactor carries the whole load, without doses and
            water changes.
        believed_trend_mmol_l_d: the same if a tenth of what dissolves were magnesium's.
        waters: level of each new salt water.
        keeps_up: chance that the present media gives at least what is taken up.
    """

    readings: int
    now_mmol_l: np.ndarray
    uptake_ratio: np.ndarray
    share: np.ndarray
    needed_share: np.ndarray
    trend_mmol_l_d: np.ndarray
    believed_trend_mmol_l_d: np.ndarray
    waters: Mapping[str, np.ndarray]
    keeps_up: float


@dataclass(frozen=True)
class LinearModel:
    """y = X θ + e for every draw: rows (s, m, k), y (s, m), var of e (m,), θ ~ N(mean, cov)."""

    rows: np.ndarray
    y: np.ndarray
    variance: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray

    def posterior(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean (s, k) and covariance (s, k, k) of θ given y: the normal equations."""
        prior = np.linalg.inv(self.covariance)
        weighted = self.rows / self.variance[:, None]
        covariance = np.linalg.inv(prior + np.swapaxes(weighted, 1, 2) @ self.rows)
        pull = prior @ self.mean + np.einsum("smk,sm->sk", weighted, self.y)
        return np.einsum("skl,sl->sk", covariance, pull), covariance


class _Balance:
    """Walks through time: the level is `fixed` + `row`·θ.

    θ = (start, m, levels of waters, calibrations of bottles).
    """

    def __init__(self, fitted: Fit, share: np.ndarray, size: int) -> None:
        posterior, origin = fitted.posterior, fitted.schedule.origin
        self._dissolved = Dissolved(fitted)
        self._volume, self._share = posterior.volume_l, share
        uptake = posterior.calcium_uptake_mmol_l_d
        self._eaten = np.concatenate([np.zeros((len(uptake), 1)), uptake.cumsum(axis=1)], axis=1)
        self._strength = {
            name: solution.magnesium_mmol_per_ml
            for name, solution in fitted.tank.solutions.items()
            if solution.magnesium_mmol_per_ml > 0
        }
        self._doses, self._rates = (
            [
                (day_of(action.time, origin), action.of, action.value or 0.0)
                for action in actions_of(fitted.log, kind)
                if action.of in self._strength
            ]
            for kind in ("dose", "dose_rate")
        )
        self.time = 0.0
        self.fixed = np.zeros(len(uptake))
        self.row = np.zeros((len(uptake), size))
        self.row[:, 0] = 1.0

    def go_to(self, time_d: float) -> None:
        """Advance by supply, doses and uptake."""
        start, end = self._dissolved.carbonate_mol(np.array([self.time, time_d])).T
        self.row[:, 1] -= self._eaten_by(time_d) - self._eaten_by(self.time)
        self.fixed += self._share * 1000 * (end - start) / self._volume
        self.fixed += (self._dosed_by(time_d) - self._dosed_by(self.time)) / self._volume
        self.time = time_d

    def change_water(self, litres: float, column: int) -> None:
        """Renew a part of the water."""
        renewed = np.minimum(litres / self._volume, 1.0)
        self.fixed *= 1 - renewed
        self.row *= (1 - renewed)[:, None]
        self.row[:, column] += renewed

    def _eaten_by(self, time_d: float) -> np.ndarray:
        day = min(int(time_d), self._eaten.shape[1] - 2)
        within = time_d - day
        return self._eaten[:, day] * (1 - within) + self._eaten[:, day + 1] * within

    def _dosed_by(self, time_d: float) -> float:
        """mmol dosed before a time."""
        total = sum(ml * self._strength[of] for t, of, ml in self._doses if t < time_d)
        rates: dict[str, tuple[float, float]] = {}
        for t, of, ml_d in (*self._rates, *((time_d, name, 0.0) for name in self._strength)):
            if t > time_d:
                continue
            since, rate = rates.get(of, (t, 0.0))
            total += rate * (t - since) * self._strength[of]
            rates[of] = (t, ml_d)
        return total


def magnesium_balance(
    fitted: Fit, share: np.ndarray, seed: np.random.SeedSequence
) -> Magnesium | None:
    """The magnesium balance; None where the tank's magnesium was never read.

    The posterior's draws are taken as they are: magnesium readings do not change them.

    Args:
        fitted: draws (s,).
        share: (s,) magnesium per mol of carbonate dissolved.
        seed: for what the readings leave open.
    """
    count = sum((r.sample, r.parameter) == ("tank", MAGNESIUM.name) for r in fitted.log.readings)
    if count == 0:
        return None
    posterior = fitted.posterior
    model, balance, waters = magnesium_model(fitted, share)
    mean, covariance = model.posterior()
    normals = np.random.default_rng(seed).standard_normal(mean.shape)
    root = np.linalg.cholesky(0.5 * (covariance + np.swapaxes(covariance, 1, 2)))
    theta = mean + np.einsum("skl,sl->sk", root, normals)
    ratio = theta[:, 1]
    carbonate = np.clip(posterior.uptake_now_meq_l_d, 0.0, None) / 2
    taken = ratio * posterior.calcium_uptake_now_mmol_l_d
    trend = share * carbonate - taken
    return Magnesium(
        readings=count,
        now_mmol_l=balance.fixed + np.einsum("sk,sk->s", balance.row, theta),
        uptake_ratio=ratio,
        share=share,
        needed_share=np.clip(taken, 0.0, None) / np.maximum(carbonate, 1e-9),
        trend_mmol_l_d=trend,
        believed_trend_mmol_l_d=BELIEVED_SHARE * carbonate - taken,
        waters={name: theta[:, 2 + j] for j, name in enumerate(waters)},
        keeps_up=float(np.mean(trend >= 0)),
    )


def magnesium_model(
    fitted: Fit, share: np.ndarray
) -> tuple[LinearModel, _Balance, tuple[str, ...]]:
    """The linear model, the balance walked to the end of the log, and the waters' names."""
    log, tank, origin = fitted.log, fitted.tank, fitted.schedule.origin
    waters = tuple(dict.fromkeys(action.of for action in actions_of(log, "water_change")))
    readings = [r for r in log.readings if r.parameter == MAGNESIUM.name and _is_used(r, waters)]
    pairs, bottle = bottles_of(log, readings)
    first_bottle = 2 + len(waters)
    size = first_bottle + len(pairs)
    balance = _Balance(fitted, share, size)
    # A keeper tests first and acts on it, as in `schedule`.
    timed: list[tuple[float, int, int]] = [
        (day_of(reading.time, origin), 0, m) for m, reading in enumerate(readings)
    ]
    changes = actions_of(log, "water_change")
    timed += [(day_of(action.time, origin), 1, c) for c, action in enumerate(changes)]
    draws = len(fitted.posterior.volume_l)
    rows = np.zeros((draws, len(readings), size))
    y = np.zeros((draws, len(readings)))
    for time, order, index in sorted(timed):
        balance.go_to(time)
        if order == 1:
            column = 2 + waters.index(changes[index].of)
            balance.change_water(changes[index].value or 0.0, column)
            continue
        reading = readings[index]
        known: np.ndarray | float = 0.0
        if reading.sample == "tank":
            rows[:, index] = balance.row
            known = balance.fixed
        elif reading.sample == "water":
            rows[:, index, 2 + waters.index(reading.of)] = 1.0
        else:
            known = tank.references[reading.of].levels.get(MAGNESIUM.name, np.nan)
        rows[:, index, first_bottle + bottle[index]] = reading.value
        y[:, index] = reading.value - known
    balance.go_to(day_of(log.end, origin))
    kept = ~np.isnan(y).any(axis=0)
    mean, covariance = _magnesium_prior(tank, waters, pairs)
    variance = np.array([reading_variance(tank.kits[r.kit]) for r in readings])
    model = LinearModel(rows[:, kept], y[:, kept], variance[kept], mean, covariance)
    return model, balance, waters


def _is_used(reading: Reading, waters: Sequence[str]) -> bool:
    return reading.sample in ("tank", "reference") or (
        reading.sample == "water" and reading.of in waters
    )


def _magnesium_prior(
    tank: Tank, waters: Sequence[str], pairs: Sequence[tuple[str, int]]
) -> tuple[np.ndarray, np.ndarray]:
    """Mean (k,) and covariance (k, k) of start, uptake ratio, waters and calibrations."""
    normal = [START_MAGNESIUM, MAGNESIUM_UPTAKE]
    for name in waters:
        level = tank.waters[name].levels.get(MAGNESIUM.name)
        normal.append(UNSTATED_WATER_MAGNESIUM if level is None else (level, WATER_MAGNESIUM_SD))
    for name, _ in pairs:
        sd = tank.kits[name].calibration_sd
        normal.append((0.0, USUAL_CALIBRATION_SD if sd is None else sd))
    mean, sd_all = np.array(normal).T
    correlation = np.eye(len(mean))
    first = len(mean) - len(pairs)
    for i, one in enumerate(pairs):
        for j, other in enumerate(pairs):
            if i != j and one[0] == other[0]:
                correlation[first + i, first + j] = BOTTLE_CORRELATION
    return mean, correlation * np.outer(sd_all, sd_all)
