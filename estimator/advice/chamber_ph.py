"""Does the chamber's pH still stay where the controller is to hold it?

A day's departure d_j is the median of that day's readings less the controller's setting, on days on
which the pump runs. A probe has an offset of its own, which is no fault:

    d_j = b + c v_j + e_j,   b ~ N(0, 0.1²),   e_j ~ N(0, σ²).

Without a change v = 0. With one, c ~ N(0, 0.25²) is how far the pH has moved by now, v_j = 0 before
the change and 1 after it (a step: the gas fails at once, or a probe), or rising evenly to 1 at the
last reading (a ramp: the cylinder empties); where it was mended meanwhile, v is 0 again from then
on. The change lies anywhere in the last four weeks, each day as likely. σ is 0.03, or 0.06 or 0.12
where a controller lets the pH swing. The last reading alone may be a slip, which nothing after it
could show. All of it is normal given σ and the change, so that the chance of each case follows
exactly.

Numbers without another source: common practice, no source.
"""

from __future__ import annotations

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
MENDED_CHANCE = 0.5
"""Prior chance that a change was mended by the last reading."""
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


class _Cases(NamedTuple):
    """Ways in which a change may have come (k).

    Attributes:
        shape: (k, n) v of each day.
        log_prior: (k,).
        day: (k,) on which it began.
    """

    shape: np.ndarray
    log_prior: np.ndarray
    day: np.ndarray


def chamber_shift(log: TankLog, tank: Tank) -> ChamberShift | None:
    """What the chamber's pH readings say; None where none was read in the last four weeks."""
    days, departures = daily_departures(log, tank)
    end = int(day_of(log.end, origin_of(log)))
    if not len(days) or days[-1] <= end - WINDOW_DAYS:
        return None
    cases = _cases(days, max(end - WINDOW_DAYS, 0))
    log_weight, mean, sd = _judged(departures, cases)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    beyond = {
        way: weight * ndtr((sign * mean - LEAST_MOVED) / np.maximum(sd, 1e-9))
        for way, sign in (("up", 1.0), ("down", -1.0))
    }
    direction = max(beyond, key=lambda way: float(beyond[way].sum()))
    share = beyond[direction]
    if share.sum() < 1e-6:
        return None
    day = _weighted_median(np.tile(cases.day, len(share) // len(cases.day)), share)
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


def _cases(days: np.ndarray, begins: int) -> _Cases:
    """No change, and in each gap between days with readings (n,) from the day `begins` on a step or
    a ramp that lasts, or that was mended in a later gap."""
    rows = [(np.zeros(len(days)), 0.0, int(days[-1]))]
    before = np.concatenate([[begins], days[:-1]])
    for i, day in enumerate(days):
        first = max(int(before[i]), begins)
        gap = int(day) - first
        if gap <= 0:
            continue
        ramp = np.clip((days - first) / max(int(days[-1]) - first, 1), 0.0, 1.0)
        ends = np.arange(i + 1, len(days))
        for shape, since in (((days >= day).astype(float), int(day)), (ramp, first + 1)):
            # Half of the chance for either shape.
            prior = 0.5 * CHANGE_CHANCE / 14 * gap
            lasting = 1.0 - MENDED_CHANCE if len(ends) else 1.0
            rows.append((shape, prior * lasting, since))
            for end in ends:
                mended = np.where(days < days[end], shape, 0.0)
                mended /= mended.max() or 1.0
                rows.append((mended, prior * MENDED_CHANCE / len(ends), since))
    shapes, priors, since_days = zip(*rows, strict=True)
    chance = np.array(priors)
    chance[0] = 1.0 - chance.sum()
    return _Cases(np.array(shapes), np.log(chance), np.array(since_days))


def _judged(departures: np.ndarray, cases: _Cases) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Each case at each σ, with the last reading a slip or not: log of prior times likelihood, and
    mean and sd of how far the pH has moved by now."""
    found = []
    for sd, chance in zip(ERROR_SD, ERROR_CHANCE, strict=True):
        for slip, slip_chance in ((0.0, 1.0 - SLIP_CHANCE), (SLIP_SD, SLIP_CHANCE)):
            variance = np.full(len(departures), sd**2)
            variance[-1] += slip**2
            log_likelihood, mean, spread = _marginal(departures, cases.shape, variance)
            log_weight = log_likelihood + cases.log_prior + np.log(chance * slip_chance)
            found.append((log_weight, mean, spread))
    log_weights, means, spreads = zip(*found, strict=True)
    return np.concatenate(log_weights), np.concatenate(means), np.concatenate(spreads)


def _marginal(
    departures: np.ndarray, shape: np.ndarray, variance: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log likelihood of shapes (k, n), b and c integrated out, and c v_n given the departures.

    b and c are normal a priori and enter linearly: with b = 0.1 z₁ and c = 0.25 z₂ the precision of
    (z₁, z₂) is that of the prior, 1, plus that of the readings.
    """
    moved = MOVED_SD * shape
    of_offset = 1.0 + OFFSET_SD**2 * np.sum(1.0 / variance)
    of_moved = 1.0 + np.sum(moved**2 / variance, axis=1)
    cross = OFFSET_SD * np.sum(moved / variance, axis=1)
    pull_offset = OFFSET_SD * np.sum(departures / variance)
    pull_moved = np.sum(moved * departures / variance, axis=1)
    determinant = of_offset * of_moved - cross**2
    offset = (of_moved * pull_offset - cross * pull_moved) / determinant
    place = (of_offset * pull_moved - cross * pull_offset) / determinant
    log_likelihood = -0.5 * (
        np.sum(np.log(variance) + departures**2 / variance)
        + np.log(determinant)
        - pull_offset * offset
        - pull_moved * place
    )
    return log_likelihood, moved[:, -1] * place, moved[:, -1] * np.sqrt(of_offset / determinant)


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
