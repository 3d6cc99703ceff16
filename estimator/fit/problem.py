"""One log made ready to be fitted: everything known, made once and passed on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from estimator.fit.instruments import condense
from estimator.fit.jumps import Jumps, jumps_of
from estimator.fit.layout import EFFLUENT_ALKALINITY, LOAD_SHARE, SATURATED_INCREMENT, Shape
from estimator.fit.priors import PriorArrays, PriorTable, prior_table
from estimator.fit.schedule import Schedule, build_schedule
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank


class Ridge(NamedTuple):
    """Along what the posterior is narrow and bent in z (`likelihood.straight`).

    Attributes:
        known_flow: F/F0 per load share, at the prior medians, where the log knows the supply: in
            the effluent's tests, else where most of it flowed; 0 without a reactor.
        chambers: of the reactor.
        centre: logit of the load share at z = 0.
        sd: of the log of the saturated increment.
    """

    known_flow: float
    chambers: int
    centre: float
    sd: float


class Frame(NamedTuple):
    """All that the compiled likelihood needs beside z and the spreads."""

    steps: np.ndarray
    moments: np.ndarray
    shape: Shape
    mean: np.ndarray
    covariance: np.ndarray
    root: np.ndarray
    reading_step: np.ndarray
    arrays: PriorArrays
    jumps: Jumps
    ridge: Ridge


def frame_of(schedule: Schedule, table: PriorTable) -> Frame:
    """The frame of one log; `root` is a root of the start covariance, which may be singular."""
    values, vectors = np.linalg.eigh(schedule.covariance)
    return Frame(
        steps=schedule.steps,
        moments=schedule.moments,
        shape=schedule.shape,
        mean=schedule.mean,
        covariance=schedule.covariance,
        root=np.ascontiguousarray(vectors * np.sqrt(np.clip(values, 0.0, None))),
        reading_step=schedule.reading_step,
        arrays=table.arrays,
        jumps=jumps_of(schedule),
        ridge=Ridge(
            known_flow=_known_flow(schedule, table),
            chambers=schedule.shape.chambers,
            centre=float(table.arrays.centre[LOAD_SHARE]),
            sd=float(table.arrays.root[SATURATED_INCREMENT, SATURATED_INCREMENT]),
        ),
    )


def _known_flow(schedule: Schedule, table: PriorTable) -> float:
    steps, readings = schedule.steps, schedule.steps[schedule.reading_step]
    tested = readings["shown_flow_l_d"][readings["kind"] == EFFLUENT_ALKALINITY]
    litres = steps["flow_l_d"] * steps["span_d"]
    flow = 0.0
    if len(tested):
        flow = float(np.median(tested))
    elif litres.sum() > 0:
        flow = float(np.average(steps["flow_l_d"], weights=litres))
    saturated = table.priors[SATURATED_INCREMENT].median
    return flow * saturated / schedule.shape.load_meq_d


@dataclass(frozen=True)
class Problem:
    """What a fit is about.

    Attributes:
        log, tank: the inputs.
        schedule: the log laid out as steps.
        priors: of every parameter, in the order of the parameter vector.
        frame: all of it as the compiled likelihood takes it.
    """

    log: TankLog
    tank: Tank
    schedule: Schedule
    priors: PriorTable
    frame: Frame


def pose(log: TankLog, tank: Tank) -> Problem:
    """The problem of one log; readings an instrument took many times a day are averaged.

    Raises:
        InputError: see `build_schedule`.
    """
    log = condense(log)
    schedule = build_schedule(log, tank)
    priors = prior_table(schedule, tank)
    return Problem(log, tank, schedule, priors, frame_of(schedule, priors))
