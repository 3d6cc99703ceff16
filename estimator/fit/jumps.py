"""What may have changed at once of late: one jump, at a midnight of the last six weeks, or none.

A walk of small steps takes weeks to follow what happens overnight: gas that ran out, animals moved,
a dose poured in or a kit's new bottle opened that nobody wrote down. So the model holds one jump
more, of unknown kind, day and size; its size is Gaussian, so that the filter integrates it out, and
kind and day are drawn exactly (`moves.weigh_jumps`). What may have changed is then a share of
the draws.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from estimator import units
from estimator.fit.schedule import STOCK_STEP_SD, Schedule

UPTAKE, SUPPLY, EFFLUENT, ADDITION, KIT = range(5)
"""Kinds: uptake; something that is added every day, begun or ended without an entry, which looks
like a large change of uptake; the effluent's strength; one addition without an entry; the
calibration of the alkalinity kit's bottle in use (`bottles`)."""
SIZE_SD = (STOCK_STEP_SD, 1.0, 0.25, 1.0 * units.MEQ_L_PER_DKH, 0.05)
"""Of each kind's jump: relative to the uptake at the log's start (the first two) or to the
effluent's strength, meq/L, and relative to the calibration. An empty cylinder or a worn tube costs
a quarter of the effluent (all common practice, no source)."""
WINDOW_DAYS = 42
"""How far back: older changes the walk has long followed."""
DAILY_CHANCE = 0.05 / 14
"""Prior chance of each kind on each day: once in three quarters of a year (common practice, no
source)."""
LARGEST_CHANCE = 0.5
STOPPED_CHANCE = 0.2
"""That a routine by hand whose entries stop goes on unwritten (no source)."""


class Jumps(NamedTuple):
    """The candidates (c,), the first of which is none.

    Attributes:
        day: local day, counted from the log's first, that begins with the jump.
        kind: see above, −1 for none.
        step, state: of the schedule after which the state moves.
        variance: of the move.
        log_prior: log of the prior chances, which add up to 1.
    """

    day: np.ndarray
    kind: np.ndarray
    step: np.ndarray
    state: np.ndarray
    variance: np.ndarray
    log_prior: np.ndarray


def jumps_of(schedule: Schedule) -> Jumps:
    """All candidates of one log."""
    first = max(1, schedule.days - WINDOW_DAYS)
    found = [
        (day, kind)
        for kind, state in enumerate(_states(schedule))
        for day in range(first, schedule.days)
        if state >= 0 and _may_change(schedule, kind, day)
    ]
    days, kinds = np.array([(0, -1), *found]).T
    chances = np.full(len(found), DAILY_CHANCE)
    for stopped in schedule.stopped_routines:
        chances[(kinds[1:] == SUPPLY) & (days[1:] == stopped + 1)] = STOPPED_CHANCE
    chances *= min(1.0, LARGEST_CHANCE / max(float(np.sum(chances)), 1e-9))
    prior = np.append(1.0 - chances.sum(), chances)
    return placed(Jumps(days, kinds, days, days, prior, np.log(prior)), schedule)


def placed(jumps: Jumps, schedule: Schedule) -> Jumps:
    """The same candidates in the steps and states of another schedule of the log, or a longer.

    A jump stands on the step on which the walk moves, before what is read at that very midnight.
    """
    midnights = np.flatnonzero(schedule.steps["drift_d"] > 0)
    states = np.array([*_states(schedule), 0])
    variances = np.append(np.square(SIZE_SD), 0.0)
    return jumps._replace(
        day=np.ascontiguousarray(jumps.day),
        kind=np.ascontiguousarray(jumps.kind),
        step=np.append(0, midnights)[jumps.day],
        state=states[jumps.kind],
        variance=variances[jumps.kind],
    )


def _states(schedule: Schedule) -> tuple[int, ...]:
    """The state that each kind moves."""
    layout = schedule.layout
    return layout.uptake, layout.uptake, layout.effluent, layout.alkalinity, layout.kit_shift


def _may_change(schedule: Schedule, kind: int, day: int) -> bool:
    """Nothing is asked of an effluent that does not run yet, nor of a kit but between readings of
    its bottle; a supply comes of additions."""
    if kind == EFFLUENT:
        return bool(day >= schedule.settings.first_run_d)
    if kind == KIT:
        read_d = schedule.step_time_d[schedule.steps["shown_meq_l"] > 0]
        return bool(read_d[0] < day <= read_d[-1])
    return kind != SUPPLY or schedule.additions
