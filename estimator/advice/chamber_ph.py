"""Does the chamber's pH still stay where the controller is to hold it?

A day's departure d_j is the median of that day's readings less the controller's setting, on days on
which the pump runs. A probe has an offset of its own, which is no fault:

    d_j = b + c v_j + e_j,   b ~ N(0, 0.1²),   e_j ~ N(0, σ²).

Without a change v = 0. With one, c ~ N(0, 0.25²) is how far the pH has moved by now, v_j = 0 before
the change and 1 after it (a step: the gas fails at once, or a probe), or rising evenly to 1 at the
last reading (a ramp: the cylinder empties). The change lies anywhere in the last four weeks, each
day as likely. σ is 0.03, or 0.06 or 0.12 where a controller lets the pH swing. The last reading
alone may be a slip, which nothing after it could show. All of it is normal given σ and the change,
so that the chance of each case follows exactly.

Numbers without another source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from estimator.inputs.parameters import PH
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.water.settings import day_of, origin_of, settings_of

OFFSET_SD = 0.1
"""Of a probe's lasting offset, pH."""
ERROR_SD, ERROR_CHANCE = (0.03, 0.06, 0.12), (0.7, 0.25, 0.05)
"""σ of a day's readings, pH, and the chance of each before the readings."""
MOVED_SD = 0.25
"""Of the change, pH: without gas a chamber ends about 0.5 above its setting."""
SLIP_SD, SLIP_CHANCE = 0.3, 0.02
"""Of a slip of the last reading."""
WINDOW_DAYS = 28
CHANGE_CHANCE = 0.05
"""Prior chance of a change in a fortnight, as of the kinds of `fit.watch`."""
LEAST_MOVED = 0.1
"""A smaller change is none: it alters the effluent by less than its tests can tell."""
MOST_DAYS = 90
"""Days with readings that are looked at, the last ones."""
_SIZES = 200


@dataclass(frozen=True)
class ChamberShift:
    """The likelier side to which the chamber's pH has moved.

    Attributes:
        direction: "up" (less gas) or "down" (more).
        chance: that it moved to that side by more than `LEAST_MOVED`.
        since: when, if so.
        size: (s,) how far it stands from where it used to be, pH, if so.
    """

    direction: str
    chance: float
    since: date
    size: np.ndarray


class _Case(NamedTuple):
    """One way in which a change may have come: its shape (n,), log prior and first day."""

    shape: np.ndarray
    log_prior: float
    day: int


class _Judged(NamedTuple):
    """One case at one σ: log of prior times likelihood, and mean and sd of c."""

    log_weight: float
    mean: float
    sd: float
    day: int


def chamber_shift(log: TankLog, tank: Tank) -> ChamberShift | None:
    """What the chamber's pH readings say; None where none was read in the last four weeks."""
    days, departures = daily_departures(log, tank)
    end = int(day_of(log.end, origin_of(log)))
    if not len(days) or days[-1] <= end - WINDOW_DAYS:
        return None
    cases = list(_cases(days, max(end - WINDOW_DAYS, 0)))
    never = 1.0 - sum(np.exp(case.log_prior) for case in cases)
    flat = _Case(np.zeros(len(days)), float(np.log(never)), int(days[-1]))
    judged = list(_judged(departures, [flat, *cases]))
    log_weight = np.array([one.log_weight for one in judged])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean, sd = np.array([one.mean for one in judged]), np.array([one.sd for one in judged])
    beyond = {
        way: weight * ndtr((sign * mean - LEAST_MOVED) / np.maximum(sd, 1e-9))
        for way, sign in (("up", 1.0), ("down", -1.0))
    }
    direction = max(beyond, key=lambda way: float(beyond[way].sum()))
    share = beyond[direction]
    if share.sum() < 1e-6:
        return None
    day = _weighted_median(np.array([one.day for one in judged]), share)
    return ChamberShift(
        direction=direction,
        chance=float(share.sum()),
        since=origin_of(log).date() + timedelta(days=day),
        size=_sizes(mean, sd, share, 1.0 if direction == "up" else -1.0),
    )


def daily_departures(log: TankLog, tank: Tank) -> tuple[np.ndarray, np.ndarray]:
    """(days after the log's first midnight, median reading less setting), (n,), pump running."""
    settings, origin = settings_of(log, tank), origin_of(log)
    by_day: dict[int, list[float]] = {}
    for reading in log.readings:
        if (reading.parameter, reading.sample) != (PH.name, "chamber"):
            continue
        time = day_of(reading.time, origin)
        # A chamber that stands still goes its own way.
        if settings.last_run_flow_l_d is None or settings.flow_l_d.at(time) > 0:
            by_day.setdefault(int(time), []).append(reading.value - settings.chamber_ph.at(time))
    days = sorted(by_day)[-MOST_DAYS:]
    return np.array(days, dtype=int), np.array([float(np.median(by_day[day])) for day in days])


def _cases(days: np.ndarray, begins: int) -> Iterator[_Case]:
    """A step and a ramp in each gap between days with readings (n,) from the day `begins` on."""
    before = np.concatenate([[begins], days[:-1]])
    for i, day in enumerate(days):
        first = max(int(before[i]), begins)
        gap = int(day) - first
        if gap <= 0:
            continue
        # Half of the chance for either shape.
        log_prior = float(np.log(0.5 * CHANGE_CHANCE / 14 * gap))
        yield _Case((days >= day).astype(float), log_prior, int(day))
        ramp = np.clip((days - first) / max(int(days[-1]) - first, 1), 0.0, 1.0)
        yield _Case(ramp, log_prior, first + 1)


def _judged(departures: np.ndarray, cases: list[_Case]) -> Iterator[_Judged]:
    """Each case at each σ, with the last reading a slip or not."""
    for sd, chance in zip(ERROR_SD, ERROR_CHANCE, strict=True):
        for slip, slip_chance in ((0.0, 1.0 - SLIP_CHANCE), (SLIP_SD, SLIP_CHANCE)):
            variance = np.full(len(departures), sd**2)
            variance[-1] += slip**2
            for case in cases:
                found = _marginal(departures, case, variance)
                log_prior = case.log_prior + np.log(chance * slip_chance)
                yield found._replace(log_weight=found.log_weight + log_prior)


def _marginal(departures: np.ndarray, case: _Case, variance: np.ndarray) -> _Judged:
    """Log likelihood of a case, b and c integrated out, and c given the departures (n,)."""
    effect = np.stack([np.full(len(departures), OFFSET_SD), MOVED_SD * case.shape], axis=1)
    weighted = effect / variance[:, None]
    precision = np.eye(2) + effect.T @ weighted
    pull = weighted.T @ departures
    covariance = np.linalg.inv(precision)
    place = covariance @ pull
    log_likelihood = -0.5 * (
        np.sum(np.log(variance) + departures**2 / variance)
        + np.log(np.linalg.det(precision))
        - pull @ place
    )
    moved = 0.0 if not case.shape.any() else MOVED_SD
    mean, sd = moved * place[1], moved * np.sqrt(covariance[1, 1])
    return _Judged(float(log_likelihood), float(mean), float(sd), case.day)


def _weighted_median(values: np.ndarray, weight: np.ndarray) -> int:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order]) >= 0.5 * weight.sum()
    return int(values[order][int(np.argmax(reached))])


def _sizes(mean: np.ndarray, sd: np.ndarray, share: np.ndarray, sign: float) -> np.ndarray:
    """Even quantiles of the mixture of normals, each cut off at `LEAST_MOVED` on its side."""
    counts = np.round(_SIZES * share / share.sum()).astype(int)
    parts = []
    for m, s, count in zip(sign * mean, np.maximum(sd, 1e-9), counts, strict=True):
        below = ndtr((LEAST_MOVED - m) / s)
        p = below + (1.0 - below) * (np.arange(count) + 0.5) / max(count, 1)
        parts.append(m + s * ndtri(np.clip(p, 1e-12, 1 - 1e-12)))
    return sign * np.concatenate(parts)
