"""The whole analysis in order: log → levels → posterior → advice."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from multiprocessing import get_context
from typing import TYPE_CHECKING

import numpy as np

from estimator.inputs.read import Inputs
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank

if TYPE_CHECKING:
    from estimator.advice.chamber import ChamberTrade, OddEffluent
    from estimator.advice.flow import Recommendation
    from estimator.advice.outlook import Outlook
    from estimator.advice.supplies import Supplies
    from estimator.advice.tank_ph import TankPh
    from estimator.fit.posterior import Posterior
    from estimator.fit.sampling import Trace
    from estimator.fit.schedule import Schedule
    from estimator.fit.watch import Watch
    from estimator.next_tests.planning import Planning
    from estimator.plan.change_over import ChangeOver

DEFAULT_SEED = 1
MORE_ROUNDS = 2
MORE_ACCEPT = 0.95
"""A fit that misses its checks is drawn on from where it stopped, in smaller steps, at most this
many times; all draws count."""

Progress = Callable[[str, float], None]
"""Called with (name of the stage, part done from 0 to 1)."""


@dataclass(frozen=True)
class ReactorJob:
    """The keeper's job around the flow.

    Attributes:
        chamber: chamber pH against flow.
        tank_ph: what the reactor's CO2 does to the tank's pH.
        change_over: from the present settings to the recommended one.
        supplies: media, CO2, magnesium.
        outlook: where calcium and magnesium go while alkalinity is held.
        watch: what may have changed lately.
        odd_effluents: effluent readings that chemistry cannot give.
    """

    chamber: ChamberTrade
    tank_ph: TankPh
    change_over: ChangeOver
    supplies: Supplies
    outlook: Outlook
    watch: Watch
    odd_effluents: tuple[OddEffluent, ...]


@dataclass(frozen=True)
class Study:
    """Everything a report needs.

    Attributes:
        tank, log: the inputs.
        tank_sha256: of the tank file.
        posterior: the fit.
        recommendation: the advice.
        planning: what further tests are worth; None where the fit failed its checks.
        job: all about running the reactor; None likewise.
        seed: as given.
        seconds: by stage; not part of any deterministic output.
    """

    tank: Tank
    log: TankLog
    tank_sha256: str
    posterior: Posterior
    recommendation: Recommendation
    planning: Planning | None
    job: ReactorJob | None
    seed: int
    seconds: dict[str, float]


def compile_later(log: TankLog, tank: Tank, schedule: Schedule) -> None:
    """Compile what runs after the fit."""
    from estimator.fit.sampling import made_up_trace
    from estimator.fit.watch import watch
    from estimator.next_tests.planning import compile_planning

    compile_planning(log, tank, schedule)
    watch(schedule, tank, made_up_trace(schedule, tank))


@contextmanager
def _beside(cores: int | None, work: Callable[..., None], *arguments: object) -> Iterator[None]:
    """Let a second process compile meanwhile, unless all is to stay in one.

    Compiled code is shared through numba's cache on disk.
    """
    if cores == 1 or (os.cpu_count() or 1) == 1:
        yield
        return
    helper = get_context().Process(target=work, args=arguments, daemon=True)
    helper.start()
    yield
    helper.join()


def reactor_job(
    inputs: Inputs,
    schedule: Schedule,
    trace: Trace,
    posterior: Posterior,
    recommendation: Recommendation,
    seed: np.random.SeedSequence,
) -> ReactorJob:
    """Everything around the flow, from the same draws."""
    from estimator.advice.chamber import (
        chamber_of,
        chamber_trade,
        co2_per_caco3,
        odd_effluents,
        usual_tank_ph,
    )
    from estimator.advice.outlook import outlook
    from estimator.advice.supplies import supplies
    from estimator.advice.tank_ph import tank_ph
    from estimator.fit.watch import watch
    from estimator.plan.change_over import (
        answer_seen,
        dose_rates_now,
        plan_change_over,
        rates_to_go_on,
    )

    log, tank, settings = inputs.log, inputs.tank, schedule.settings
    seeds = seed.spawn(5)
    rng = np.random.default_rng(seeds[0])
    chamber = chamber_of(posterior, tank, settings, usual_tank_ph(log), rng)
    stock = supplies(
        log,
        tank,
        schedule,
        posterior,
        recommendation,
        co2_per_caco3(posterior, chamber),
        seeds[1],
    )
    return ReactorJob(
        chamber=chamber_trade(posterior, tank, chamber),
        tank_ph=tank_ph(posterior, tank, log, settings, chamber, seeds[2]),
        change_over=plan_change_over(
            posterior,
            tank,
            recommendation,
            rates_to_go_on(dose_rates_now(log, tank), posterior, tank),
            log.end.date() + timedelta(days=1),
            seeds[3],
            answer_seen(log, tank),
        ),
        supplies=stock,
        outlook=outlook(log, tank, schedule, posterior, stock.magnesium, seeds[4]),
        watch=watch(schedule, tank, trace),
        odd_effluents=odd_effluents(chamber, tank, log, settings),
    )


def run_study(
    inputs: Inputs,
    seed: int = DEFAULT_SEED,
    progress: Progress | None = None,
    cores: int | None = None,
    minutes_per_week: float | None = None,
) -> Study:
    """Fit one tank and advise.

    Args:
        inputs: checked log and tank.
        seed: one integer fixes every random number.
        progress: told of each stage and its part done.
        cores: processes for the chains; default one per processor. 1 keeps all in this process.
        minutes_per_week: that the keeper has for testing; default `USUAL_WEEKLY_MINUTES`.

    Raises:
        FitError: the model could not be started.
    """
    tell = progress or (lambda stage, part: None)
    seconds: dict[str, float] = {}
    clock = time.perf_counter()

    def lap(stage: str) -> None:
        nonlocal clock
        seconds[stage] = round(time.perf_counter() - clock, 3)
        clock = time.perf_counter()

    tell("Preparing", 0.0)
    # Late, because loading numba and PyMC takes seconds that a bad log should not cost.
    from estimator.fit.likelihood import compile_density, compile_draws
    from estimator.fit.schedule import build_schedule

    schedule = build_schedule(inputs.log, inputs.tank)
    with _beside(cores, compile_draws, schedule, inputs.tank):
        from estimator.advice.flow import recommend
        from estimator.fit.posterior import collect
        from estimator.fit.sampling import TARGET_ACCEPT, join, sample
        from estimator.next_tests.planning import USUAL_WEEKLY_MINUTES, Fitted, plan_tests

        compile_density(schedule, inputs.tank)
    lap("load")
    fit_seed, more_seed, level_seed, advice_seed, plan_seed, job_seed = np.random.SeedSequence(
        seed
    ).spawn(6)

    def draw(one: np.random.SeedSequence, accept: float, resume: Trace | None = None) -> Trace:
        return sample(
            schedule,
            inputs.tank,
            one,
            target_accept=accept,
            resume=resume,
            cores=cores,
            progress=lambda done, total: tell("Fitting", done / total),
        )

    tell("Fitting", 0.0)
    with _beside(cores, compile_later, inputs.log, inputs.tank, schedule):
        trace = draw(fit_seed, TARGET_ACCEPT)
        posterior = collect(schedule, inputs.tank, trace, level_seed)
        for one in more_seed.spawn(MORE_ROUNDS):
            if not posterior.diagnostics.failures:
                break
            trace = join(trace, draw(one, MORE_ACCEPT, trace))
            posterior = collect(schedule, inputs.tank, trace, level_seed)
    lap("fit")
    tell("Advising", 0.0)
    recommendation = recommend(posterior, inputs.tank, advice_seed)
    lap("advise")
    tell("Weighing tests", 0.0)
    planning = None
    if not posterior.diagnostics.failures:
        planning = plan_tests(
            Fitted(inputs.log, inputs.tank, schedule, trace, posterior),
            plan_seed,
            USUAL_WEEKLY_MINUTES if minutes_per_week is None else minutes_per_week,
            progress=lambda part: tell("Weighing tests", part),
        )
    lap("weigh tests")
    tell("Planning", 0.0)
    job = None
    if not posterior.diagnostics.failures:
        job = reactor_job(inputs, schedule, trace, posterior, recommendation, job_seed)
    lap("plan")
    return Study(
        tank=inputs.tank,
        log=inputs.log,
        tank_sha256=inputs.tank_sha256,
        posterior=posterior,
        recommendation=recommendation,
        planning=planning,
        job=job,
        seed=seed,
        seconds=seconds,
    )
