"""What a test of today adds to the plan: days in the band, when today's settings heed its result.

A test is an observation of something that goes with the level, the net supply or the kit's
calibration over the draws. What is known of the three in each future is moved by their regression
on what the test shows there (the linear update of an ensemble Kalman filter: Evensen 2003, Ocean
Dynamics 53:343, from memory), today's settings are put right by it, and the plan is followed. The
gain is against the same futures without the test, so it is below nothing only by their luck.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from estimator.inputs.parameters import ALKALINITY
from estimator.next_tests.candidates import REFERENCE_ALKALINITY, Candidate
from estimator.plan.belief import Belief
from estimator.plan.course import Known, follow
from estimator.plan.futures import Futures
from estimator.plan.result import TestGain
from estimator.plan.search import AHEAD_DAYS, Chosen, Task, belief_for, supplies


def gains_of(
    task: Task,
    chosen: Chosen,
    futures: Futures,
    candidates: Sequence[Candidate],
    seed: np.random.SeedSequence,
) -> tuple[TestGain, ...]:
    """Of every candidate of one visit that tells of alkalinity or of the water volume.

    Args:
        task, chosen: the plan.
        futures: other than those that it was chosen in.
        candidates: to weigh.
        seed: for the errors of the tests, the same for all candidates.
    """
    errors = np.random.default_rng(seed).standard_normal((2, len(futures.calibration)))
    belief = belief_for(task, chosen.courses, futures)
    nothing = _good_days(task, chosen, futures, belief, _known(task, chosen, futures, []))
    found = []
    for candidate in candidates:
        shown = _shows(candidate, task, futures)
        if not shown or candidate.days > 0:
            continue
        tests = [(what, sd, error) for (what, sd), error in zip(shown, errors, strict=False)]
        known = _known(task, chosen, futures, tests)
        gain = _good_days(task, chosen, futures, belief, known) - nothing
        error = float(np.std(gain) / np.sqrt(len(gain)))
        found.append(TestGain(candidate.key, candidate.repeats, float(np.mean(gain)), error))
    return tuple(found)


def _shows(
    candidate: Candidate, task: Task, futures: Futures
) -> list[tuple[np.ndarray, np.ndarray | float]]:
    """What each test would show without error in each future, and the sd of its error, (s,)."""
    if candidate.volume_sd is not None:
        return [(np.log(np.asarray(futures.state.law.volume_l)), candidate.volume_sd)]
    if any(reading.parameter != ALKALINITY.name for reading in candidate.readings):
        return []
    state, law = futures.state, futures.state.law
    level = state.level_meq_l - futures.below_mean_d * state.uptake_meq_l_d
    levels = {
        "tank": level,
        "effluent": level + law.increment_at(task.means.present_l_d, state.level_meq_l),
        "reference": np.full(len(level), REFERENCE_ALKALINITY),
    }
    rounding = futures.kit_step_meq_l**2 / 12
    sd = np.sqrt((futures.repeatability_meq_l**2 + rounding) / candidate.repeats)
    return [(futures.calibration * levels[r.sample], sd) for r in candidate.readings]


def _known(
    task: Task,
    chosen: Chosen,
    futures: Futures,
    tests: Sequence[tuple[np.ndarray, np.ndarray | float, np.ndarray]],
) -> Known:
    """What is known after tests, each what it would show, the sd of its error, and the error."""
    net = supplies(chosen.courses, futures)[0][0]
    # What the tests would show stands below what they are to tell of.
    truth = np.array(
        [futures.state.level_meq_l, net, futures.calibration, *(exact for exact, _, _ in tests)]
    )
    left = truth - truth.mean(axis=1, keepdims=True)
    found = np.zeros(truth.shape)
    for row, (_, sd, error) in enumerate(tests, start=3):
        off, noise_sd = left[row], sd * np.ones(truth.shape[1])
        slope = left @ off / max(off @ off + noise_sd @ noise_sd, 1e-12)
        step = np.outer(slope, off + noise_sd * error)
        found, left = found + step, left - step
    belief = task.belief
    return Known(belief.level_meq_l + found[0], found[1], belief.calibration + found[2])


def _good_days(
    task: Task, chosen: Chosen, futures: Futures, belief: Belief, known: Known
) -> np.ndarray:
    """(s,) share of days in the band."""
    courses, band = chosen.courses, task.band
    followed = follow(futures, courses, chosen.rhythm, belief, AHEAD_DAYS, known)
    level = followed.level_meq_l[:, 0]
    return np.asarray(((level >= band.low) & (level <= band.high)).mean(axis=0))
