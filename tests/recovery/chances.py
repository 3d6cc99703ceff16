"""Do stated chances come true? Simulated keepers, followed for the fourteen days that are foretold.

Each log is fitted and a setting advised; the true tank then runs on for two weeks in two copies: at
the advised setting with nothing dosed beside it, and with everything as it stands. The stated
chance that all daily means stay in the band is held against whether they did.

    python tests/recovery/chances.py --logs 300 --seed 1 --jobs 2 --out tests/recovery/chances.json

The tanks obey the simulator, half of them under stepwise light; their keepers know a level as their
kit reads it, and hold that near the middle of the band. Only the fit and the advice are run.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator.inputs.records import Action, Reading, TankLog
from estimator.synthetic.simulation import simulate_levels, simulate_log
from helpers.keepers import NEVER, Gap, Habits, keeper_case
from helpers.tanks import Case
from recovery.results import in_turn, write_results

AHEAD_D = 14
PER_DAY = 24
"""Levels that a true daily mean is taken from."""
READ_EVERY_D = 2
"""A kit is taken to read this often in the two weeks, by the evening, where no other is stated."""
ARMS = ("advised", "as now")


@dataclass(frozen=True)
class Followed:
    """One setting followed for two weeks.

    Attributes:
        stated: chance that every daily mean is in the band; None where none is stated.
        held: whether they all were.
        stated_as_read, read_inside: the same of what the kit reads.
    """

    stated: float | None
    held: bool
    stated_as_read: float | None
    read_inside: bool


def random_habits(rng: np.random.Generator) -> Habits:
    """Keepers with a running reactor (half), one that is being started, or dosing only."""

    def one_of(*gaps: Gap | None) -> Gap | None:
        return gaps[int(rng.integers(len(gaps)))]

    days = int(rng.integers(30, 76))
    kind = rng.random()
    begun = 0.0 if kind < 0.5 else days * float(rng.uniform(0.3, 0.7)) if kind < 0.75 else NEVER
    return Habits(
        by_kit=True,
        days=days,
        begun_d=begun,
        alkalinity=one_of((1.0, 3.0), (2.0, 4.0), (3.0, 7.0)) or (2.0, 4.0),
        calcium=one_of((7.0, 10.0), (10.0, 14.0), None),
        effluent=one_of((5.0, 10.0), (8.0, 14.0), None),
        chamber_ph=one_of((5.0, 9.0), None),
        beyond=AHEAD_D + 2,
    )


def goes_on(log: TankLog, case: Case, flow_ml_h: float | None) -> TankLog:
    """The log continued: at a flow with nothing dosed, or (None) as it stands."""
    if flow_ml_h is None:
        return log
    after = log.end + timedelta(minutes=1)
    changes = [Action(0, after, "flow", "", flow_ml_h)]
    changes += [Action(0, after, "dose_rate", name, 0.0) for name in case.tank.solutions]
    return replace(log, actions=(*log.actions, *changes))


def two_weeks(
    log: TankLog,
    case: Case,
    flow_ml_h: float | None,
    rng: np.random.Generator,
    every_d: int = READ_EVERY_D,
) -> tuple[bool, bool]:
    """Whether every daily mean lay in the band, and whether every test, one in `every_d` days, read
    inside it."""
    band = case.tank.targets["alkalinity"]
    future = goes_on(log, case, flow_ml_h)
    midnight = datetime.combine(log.end.date(), datetime.min.time()) + timedelta(days=1)
    steps = (np.arange(AHEAD_D * PER_DAY) + 0.5) / PER_DAY
    times = [midnight + timedelta(days=float(day)) for day in steps]
    levels = simulate_levels(case.tank, future, case.truth, times).alkalinity_meq_l
    daily = levels.reshape(AHEAD_D, PER_DAY).mean(axis=1)
    blank = Reading(0, midnight, "alkalinity", "tank", "", 0.0, "dKH", "alk")
    tests = tuple(
        replace(blank, time=midnight + timedelta(days=day, hours=18))
        for day in range(every_d - 1, AHEAD_D, every_d)
    )
    read = simulate_log(case.tank, replace(future, readings=tests), case.truth, rng).readings
    slack = 1e-9
    return (
        bool(np.all((daily >= band.low) & (daily <= band.high))),
        all(band.low - slack <= r.value <= band.high + slack for r in read),
    )


def one_log(index: int, seed: int) -> dict[str, Followed]:
    """Simulate, fit, advise and follow one keeper; by arm, those that there are."""
    from estimator.advice.flow import recommend
    from estimator.fit.fitting import fit
    from estimator.fit.problem import pose

    simulate, ahead, advice_seed, *fit_seeds = np.random.SeedSequence([seed, index]).spawn(6)
    rng, kit = np.random.default_rng(simulate), np.random.default_rng(ahead)
    habits, square = random_habits(rng), bool(rng.random() < 0.5)
    case = keeper_case(rng, habits, lambda tank, truth: replace(truth, square_light=square))
    log = simulate_log(case.tank, case.log, case.truth, rng)
    flow = recommend(
        fit(pose(log, case.tank), *fit_seeds, cores=1).posterior, case.tank, advice_seed
    ).flow
    found = {}
    if flow.setting is not None:
        held, inside = two_weeks(log, case, flow.setting.set_to_ml_h, kit, flow.read_every_days)
        as_read = flow.in_band_as_kit_reads
        found["advised"] = Followed(flow.in_band_probability, held, as_read, inside)
    if flow.current_probability is not None:
        held, inside = two_weeks(log, case, None, kit, flow.read_every_days)
        as_read = flow.current_as_kit_reads
        found["as now"] = Followed(flow.current_probability, held, as_read, inside)
    return found


def judged(stated: Sequence[float], happened: Sequence[bool]) -> dict[str, Any]:
    """Reliability by tenths, and the Brier score beside that of the best constant."""
    chance, came = np.array(stated), np.array(happened, dtype=float)
    if not len(chance):
        return {"count": 0}
    tenth = np.minimum((chance * 10).astype(int), 9)
    rows = [
        {
            "from": k / 10,
            "count": int(np.sum(tenth == k)),
            "stated": round(float(chance[tenth == k].mean()), 3),
            "happened": round(float(came[tenth == k].mean()), 3),
        }
        for k in range(10)
        if np.any(tenth == k)
    ]
    brier, constant = np.mean((chance - came) ** 2), np.mean((came.mean() - came) ** 2)
    return {
        "count": len(chance),
        "stated": round(float(chance.mean()), 3),
        "happened": round(float(came.mean()), 3),
        "brier": round(float(brier), 4),
        "brier_of_constant": round(float(constant), 4),
        "by_tenths": rows,
    }


def summary(logs: Sequence[Mapping[str, Followed]]) -> dict[str, Any]:
    """Per arm: of true daily means, and of the kit's readings where a chance is stated."""
    table = {}
    for arm in ARMS:
        found = [one[arm] for one in logs if arm in one]
        of_level = [(f.stated, f.held) for f in found if f.stated is not None]
        of_kit = [(f.stated_as_read, f.read_inside) for f in found if f.stated_as_read is not None]
        table[arm] = {
            "true level": judged([s for s, _ in of_level], [h for _, h in of_level]),
            "as the kit reads": judged([s for s, _ in of_kit], [h for _, h in of_kit]),
        }
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    logs = []
    for one in in_turn(given.jobs, partial(one_log, seed=given.seed), given.logs):
        logs.append(one)
        if len(logs) % 10 == 0 or len(logs) == given.logs:
            print(f"{len(logs)} of {given.logs}", flush=True)
    table = summary(logs)
    for arm in ARMS:
        print(arm, {k: v for k, v in table[arm]["true level"].items() if k != "by_tenths"})
        for row in table[arm]["true level"].get("by_tenths", []):
            print("   ", row)
    results = [{arm: asdict(followed) for arm, followed in one.items()} for one in logs]
    what = {"logs": given.logs, "seed": given.seed, "days_ahead": AHEAD_D}
    write_results(given.out, {**what, "summary": table, "results": results})


if __name__ == "__main__":
    main()
