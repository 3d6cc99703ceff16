"""The whole analysis in order: log → levels → posterior → advice."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from estimator.fit.apart import Apart, sampler_apart
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.read import Inputs
from estimator.processes import beside
from estimator.study import DEFAULT_SEED, Progress, ReactorJob, Study
from estimator.surroundings import settle

if TYPE_CHECKING:
    from estimator.advice.alarms import Alarm
    from estimator.advice.flow import Recommendation
    from estimator.fit.doubts import Doubts
    from estimator.fit.fitting import Fit
    from estimator.fit.problem import Problem
    from estimator.fit.watch import Watch
    from estimator.next_tests.planning import Planning
    from estimator.plan.guard import Held
    from estimator.plan.result import Plan


def compile_later(problem: Problem) -> None:
    """Compile what runs after the fit."""
    from estimator.next_tests.planning import compile_planning

    compile_planning(problem)


class _Stages:
    """Tells of each stage, and takes its time."""

    def __init__(self, progress: Progress | None) -> None:
        self.tell = progress or (lambda stage, part: None)
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str, shown: str) -> Iterator[Callable[[float], None]]:
        """One stage; what comes with it is to be told the part done."""
        self.tell(shown, 0.0)
        clock = time.perf_counter()
        yield lambda part: self.tell(shown, part)
        self.seconds[name] = round(time.perf_counter() - clock, 3)


def _load_later() -> None:
    """Load what follows the fit."""
    import estimator.advice.outlook
    import estimator.advice.tank_ph
    import estimator.fit.doubts
    import estimator.fit.watch
    import estimator.next_tests.planning
    import estimator.plan.planner  # noqa: F401
    from estimator.fit.either_arviz import load_arviz

    load_arviz()


def _fitted(
    inputs: Inputs,
    seeds: Sequence[np.random.SeedSequence],
    cores: int | None,
    stages: _Stages,
    apart: Apart | None,
    meanwhile: Callable[[], object],
) -> Fit:
    """The problem posed and fitted; while another process samples, this one makes itself ready.

    On a first run each of the two compiles a part of what is shared through numba's cache on disk.
    """
    with stages.stage("load", "Preparing"):
        settle()
        if apart is not None:
            apart.pose(inputs.log, inputs.tank)
        # Late, because loading numba takes seconds that a bad log should not cost.
        from estimator.fit.likelihood import compile_likelihood, compiled
        from estimator.fit.moves import compile_moves
        from estimator.fit.problem import pose

        first_run = not compiled()
        problem = pose(inputs.log, inputs.tank)
        if apart is None:
            compile_likelihood(problem)
        elif first_run:
            compile_moves(problem)

    def prepare() -> None:
        if first_run:
            compile_later(problem)
        _load_later()
        meanwhile()

    with stages.stage("fit", "Fitting") as tell:
        from estimator.fit.fitting import fit

        if apart is not None:
            apart.meanwhile = prepare
        return fit(problem, *seeds, cores=cores, progress=tell, apart=apart)


@dataclass(frozen=True)
class Advised:
    """What follows for the flow, causes first.

    Attributes:
        fitted: without the figures that are spoiled.
        watched: what may have changed lately; None where the fit failed.
        doubts: what in the log cannot be right.
        alarms: what stands before any setting.
        recommendation: the setting, or why there is none, the alarms heeded.
        held: how a raise of the pump is held back; None where it is not.
    """

    fitted: Fit
    watched: Watch | None
    doubts: Doubts
    alarms: tuple[Alarm, ...]
    recommendation: Recommendation
    held: Held | None

    @property
    def shown(self) -> bool:
        """Whether the figures of alkalinity may be shown, so that anything can follow from them."""
        return self.fitted.sound and ALKALINITY.name not in self.doubts.spoiled

    @property
    def noted(self) -> Recommendation:
        """The recommendation, with what is told of a raise held back."""
        advice = self.recommendation
        if self.held is None:
            return advice
        return replace(advice, notes=(self.held.note(), *advice.notes))


def advise(fitted: Fit, seed: np.random.SeedSequence, today: date | None) -> Advised:
    """Causes first, then the flow."""
    from estimator.advice.alarms import alarms_of
    from estimator.advice.flow import recommend
    from estimator.fit.doubts import doubts_of
    from estimator.fit.watch import watch
    from estimator.plan.guard import held_back, hold, withheld, without_spoiled
    from estimator.water.salinity import salinity_note

    log, tank = fitted.log, fitted.tank
    watched = watch(fitted) if fitted.sound else None
    # What no tank can have is plain to see in a fit that misses its checks, too.
    doubts = doubts_of(fitted)
    fitted = without_spoiled(fitted, doubts)
    posterior = fitted.posterior
    advice = recommend(posterior, tank, seed)
    if (salinity := salinity_note(log, tank)) is not None:
        advice = replace(advice, notes=(*advice.notes, salinity))
    alarms = alarms_of(log, tank, posterior, advice, watched, doubts, today)
    advice = withheld(advice, alarms, doubts, tank)
    held = held_back(advice, alarms, posterior, log, tank)
    if held is not None:
        advice = hold(advice, held, posterior, tank, seed.spawn(1)[0])
    return Advised(fitted, watched, doubts, alarms, advice, held)


def _reactor_job(found: Advised, seed: np.random.SeedSequence) -> ReactorJob:
    """Everything around the flow, from the same draws."""
    from estimator.advice.chamber import chamber_of, co2_per_caco3
    from estimator.advice.effluent_check import odd_effluents
    from estimator.advice.outlook import outlook
    from estimator.advice.ph_and_flow import chamber_trade
    from estimator.advice.supplies import supplies
    from estimator.advice.tank_ph import tank_ph
    from estimator.plan.guard import outlook_told

    fitted = found.fitted
    assert found.watched is not None
    tank, posterior = fitted.tank, fitted.posterior
    seeds = seed.spawn(4)
    share = posterior.media_magnesium_share
    chamber = chamber_of(fitted, np.random.default_rng(seeds[0]))
    stock = supplies(
        fitted, found.recommendation, co2_per_caco3(posterior, chamber), share, seeds[1]
    )
    return ReactorJob(
        chamber=chamber_trade(posterior, tank, chamber),
        tank_ph=tank_ph(fitted, chamber, seeds[2]),
        supplies=stock,
        outlook=outlook_told(outlook(fitted, stock.magnesium, share, seeds[3]), found.doubts),
        watch=found.watched,
        odd_effluents=odd_effluents(fitted, chamber),
    )


def _planned(
    found: Advised,
    minutes_per_week: float | None,
    today: date | None,
    seeds: tuple[np.random.SeedSequence, np.random.SeedSequence],
    stages: _Stages,
    cores: int | None,
) -> tuple[Plan, Planning | None]:
    """The one plan with its schedule, and what further tests are worth."""
    from estimator.next_tests.planning import USUAL_WEEKLY_MINUTES, plan_tests
    from estimator.plan.ground import ground_of
    from estimator.plan.planner import make_plan

    fitted, tests_seed, ahead_seed = found.fitted, *seeds
    minutes = USUAL_WEEKLY_MINUTES if minutes_per_week is None else minutes_per_week
    with stages.stage("plan", "Planning"):
        told = (fitted, found.recommendation, found.alarms, minutes)
        plan, schedule = make_plan(ground_of(*told, shown=found.shown, today=today), ahead_seed)
    planning = None
    with stages.stage("weigh tests", "Weighing tests") as tell:
        if found.shown:
            due = schedule.due() if plan.chances is not None else None
            planning = plan_tests(fitted, tests_seed, due, progress=tell, cores=cores)
            if planning.learning is not None:
                schedule.taken(planning.learning.tests)
    return replace(plan, tests=schedule.in_order()), planning


def run_study(
    inputs: Inputs,
    seed: int = DEFAULT_SEED,
    progress: Progress | None = None,
    cores: int | None = None,
    minutes_per_week: float | None = None,
    today: date | None = None,
    apart: Apart | None = None,
    meanwhile: Callable[[], object] = int,
) -> Study:
    """Fit one tank and advise.

    Args:
        inputs: checked log and tank.
        seed: one integer fixes every random number.
        progress: told of each stage and its part done.
        cores: that may be used; None: all. 1 keeps all in this process and thread.
        minutes_per_week: that the keeper has for testing; default `USUAL_WEEKLY_MINUTES`.
        today: day of the report; None: the log's age is not looked at.
        apart: a sampler that was started before; None: started here, where `cores` allows it.
        meanwhile: called while that samples, to load what will follow.

    Raises:
        FitError: the model could not be started.
    """
    stages = _Stages(progress)
    *fit_seeds, advice_seed, plan_seed, job_seed, ahead_seed = np.random.SeedSequence(seed).spawn(7)
    with nullcontext(apart) if apart else sampler_apart(cores) as sampler:
        fitted = _fitted(inputs, fit_seeds, cores, stages, sampler, meanwhile)

    from estimator.advice.trust import check_level, trust_in

    with stages.stage("advise", "Advising"):
        found = advise(fitted, advice_seed, today)
        fitted = found.fitted
    seeds = (plan_seed, ahead_seed)
    job_of = beside(partial(_reactor_job, found, job_seed), cores) if found.shown else None
    plan, planning = _planned(found, minutes_per_week, today, seeds, stages, cores)
    with stages.stage("job", "Running the reactor"):
        job = job_of() if job_of else None
    return Study(
        tank=inputs.tank,
        log=inputs.log,
        tank_sha256=inputs.tank_sha256,
        priors=fitted.priors.physical,
        posterior=fitted.posterior,
        alarms=found.alarms,
        doubts=found.doubts,
        trust=trust_in(fitted.posterior, inputs.log, found.alarms),
        level_check=check_level(inputs.log),
        recommendation=found.noted,
        planning=planning,
        job=job,
        plan=plan,
        seed=seed,
        seconds=stages.seconds,
    )
