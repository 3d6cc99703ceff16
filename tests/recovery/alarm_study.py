"""Are causes named? Simulated keepers in trouble, and quiet ones, by what the alarms say.

Per trouble: in how many logs an alarm is about it; for quiet logs: in how many any alarm is
likelier than not. Tanks obey the simulator under stepwise light, tests are irregular (alkalinity
every 2 to 3 days, effluent every 8 to 14, calcium every 10 to 14, the chamber's pH every week with
half of the keepers). Logs are of 6 to 10 weeks, of which the trouble takes the last four, or all
where a solution's strength is wrong or calcium is never written down.

    python tests/recovery/alarm_study.py --logs 40 --seed 1 --jobs 2 --out \
        tests/recovery/alarm_study.json
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path.extend(str(Path(__file__).resolve().parents[up]) for up in (2, 1))

from estimator.advice.alarms import Alarm
from estimator.inputs.records import Action
from estimator.inputs.tank import Tank
from estimator.synthetic.simulation import Truth, simulate_log
from helpers.keepers import (
    NEVER,
    START,
    Change,
    Habits,
    effluent_weakens,
    forget,
    gas_runs_out,
    keeper_case,
    misstate,
)
from helpers.tanks import Case
from recovery.results import in_turn, write_results

TROUBLE_D = 28
LIKELY = 0.5
WEAK_SODA_MEQ_PER_ML = 0.4
"""Ten times of it would just dissolve, so that no check of the file can see the slip."""
TENFOLD = 10.0

Ready = tuple[Habits, Change | None]


def _usual(rng: np.random.Generator, **habits: Any) -> Habits:
    """Tests as the study has them."""
    return Habits(
        **{
            "days": int(rng.integers(42, 71)),
            "alkalinity": (2.0, 3.0),
            "calcium": (10.0, 14.0),
            "effluent": (8.0, 14.0),
            "chamber_ph": (5.0, 9.0) if rng.random() < 0.5 else None,
        }
        | habits
    )


def _running(rng: np.random.Generator) -> Habits:
    """A reactor that has always run, or was started before the trouble."""
    habits = _usual(rng)
    begun = 0.0 if rng.random() < 0.7 else float(rng.uniform(2, habits.days - TROUBLE_D - 10))
    return replace(habits, begun_d=begun, settled_d=habits.days - TROUBLE_D)


def _quiet(rng: np.random.Generator) -> Ready:
    """A reactor that runs or is being started, or dosing by pump or by hand; nothing goes wrong."""
    habits = _usual(rng)
    begun = float(rng.choice([0.0, 0.5 * habits.days, NEVER], p=[0.5, 0.25, 0.25]))
    share = float(rng.choice([1.0, 0.6], p=[0.8, 0.2]))
    by_hand = bool(rng.random() < 0.3)
    return replace(habits, begun_d=begun, reactor_share=share, by_hand=by_hand), None


def _gas(rng: np.random.Generator, ph: bool) -> Ready:
    habits = replace(_running(rng), chamber_ph=(5.0, 9.0) if ph else None)
    return habits, gas_runs_out(habits.settled_d, rng)


def _step(rng: np.random.Generator) -> Ready:
    habits = _running(rng)
    return habits, effluent_weakens(habits.settled_d, rng)


def _by_hand(rng: np.random.Generator) -> Ready:
    """Dosed by hand, alone or beside a reactor that carries more than half."""
    habits = _usual(rng, by_hand=True)
    begun, share = (NEVER, 1.0) if rng.random() < 0.5 else (0.0, 0.6)
    settled = habits.days - TROUBLE_D
    return replace(habits, begun_d=begun, reactor_share=share, settled_d=settled), None


def _dosing(rng: np.random.Generator, **habits: Any) -> Ready:
    by_hand = bool(rng.random() < 0.5)
    return _usual(rng, begun_d=NEVER, by_hand=by_hand, **habits), None


def _forget_late(case: Case, rng: np.random.Generator) -> Case:
    """For the last four weeks doses are not written down: alkalinity's, or both solutions'."""
    from_time = case.log.end - timedelta(days=TROUBLE_D)
    gone = ("soda",) if rng.random() < 0.5 else ("soda", "chloride")

    def forgotten(action: Action) -> bool:
        return action.kind == "dose" and action.of in gone and action.time > from_time

    return forget(case, forgotten)


def _forget_calcium(case: Case, _: np.random.Generator) -> Case:
    return forget(case, lambda action: action.of == "chloride")


def _tenfold(case: Case, _: np.random.Generator) -> Case:
    return misstate(case, "soda", TENFOLD)


def _as_it_is(case: Case, _: np.random.Generator) -> Case:
    return case


@dataclass(frozen=True)
class Trouble:
    """One kind of log.

    Attributes:
        named_by: any of these as an alarm's `about` names it; empty for quiet logs.
        ready: the keeper's habits and what changes in the tank.
        write: what becomes of the log.
        lasting: it is there from the first day.
    """

    named_by: tuple[str, ...]
    ready: Callable[[np.random.Generator], Ready]
    write: Callable[[Case, np.random.Generator], Case] = _as_it_is
    lasting: bool = False


QUIET = "quiet"
TROUBLES = {
    QUIET: Trouble((), _quiet),
    "gas runs out, chamber pH read": Trouble(("effluent", "chamber ph"), partial(_gas, ph=True)),
    "gas runs out, pH not read": Trouble(("effluent", "chamber ph"), partial(_gas, ph=False)),
    "effluent weaker from one day on": Trouble(("effluent",), _step),
    "doses not written down": Trouble(("additions",), _by_hand, _forget_late),
    "calcium never written down": Trouble(("additions",), _dosing, _forget_calcium, lasting=True),
    "strength ten times too high": Trouble(
        ("strength", "additions"),
        partial(_dosing, soda_meq_per_ml=WEAK_SODA_MEQ_PER_ML),
        _tenfold,
        lasting=True,
    ),
}


def case_of(kind: str, index: int, seed: int) -> Case:
    """The log of one keeper with its readings."""
    trouble = TROUBLES[kind]
    rng = np.random.default_rng([seed, index, list(TROUBLES).index(kind)])
    habits, change = trouble.ready(rng)

    def stepwise(tank: Tank, truth: Truth) -> Truth:
        truth = replace(truth, square_light=True)
        return truth if change is None else change(tank, truth)

    case = trouble.write(keeper_case(rng, habits, stepwise), rng)
    return replace(case, log=simulate_log(case.tank, case.log, case.truth, rng))


@dataclass(frozen=True)
class Outcome:
    """The alarms of one log.

    Attributes:
        alarms: (about, chance, since), as the twin has them.
        named: one of them is about the trouble.
        false: one of them that is not is likelier than not.
        late_d: days from the beginning of the trouble to the `since` of the alarm that names it.
    """

    alarms: tuple[tuple[str, float, str | None], ...]
    named: bool
    false: bool
    late_d: float | None


def judge(kind: str, case: Case, alarms: Sequence[dict[str, Any]]) -> Outcome:
    """Hold a twin's alarms against what is wrong."""
    trouble = TROUBLES[kind]
    right = [alarm for alarm in alarms if alarm["about"] in trouble.named_by]
    wrong = [a for a in alarms if a["about"] not in trouble.named_by and a["chance"] >= LIKELY]
    late = None
    if right and right[0].get("since"):
        since = datetime.fromisoformat(right[0]["since"]).replace(tzinfo=None)
        began = START if trouble.lasting else case.log.end - timedelta(days=TROUBLE_D)
        late = round((since - began) / timedelta(days=1), 1)
    told = tuple((a["about"], round(float(a["chance"]), 3), a.get("since")) for a in alarms)
    return Outcome(told, bool(right), bool(wrong), late)


def one_log(index: int, kind: str, seed: int) -> Outcome:
    """Simulate one keeper, fit as the program does and judge the alarms."""
    from estimator.fit.fitting import fit
    from estimator.fit.problem import pose
    from estimator.pipeline import advise

    case = case_of(kind, index, seed)
    *seeds, advice_seed = np.random.SeedSequence(index).spawn(4)
    fitted = fit(pose(case.log, case.tank), *seeds, cores=1)
    found = advise(fitted, advice_seed, None).alarms
    return judge(kind, case, [told_of(alarm) for alarm in found])


def told_of(alarm: Alarm) -> dict[str, Any]:
    """What the study needs of an alarm, as the twin has it."""
    since = None if alarm.since is None else alarm.since.isoformat()
    return {"about": alarm.about, "chance": alarm.chance, "since": since}


def summary(kind: str, outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """Shares of logs in which the trouble is named, and in which something else is."""
    late = [one.late_d for one in outcomes if one.late_d is not None]
    likely = [{a for a, chance, _ in one.alarms if chance >= LIKELY} for one in outcomes]
    counts = Counter(about for several in likely for about in several)
    row: dict[str, Any] = {
        "logs": len(outcomes),
        "false_alarms": round(float(np.mean([one.false for one in outcomes])), 3),
        "likely_alarms": dict(sorted(counts.items())),
    }
    if kind != QUIET:
        row["named"] = round(float(np.mean([one.named for one in outcomes])), 3)
        row["late_d"] = round(float(np.median(late)), 1) if late else None
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=40, help="of every kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", action="append", choices=list(TROUBLES), metavar="KIND")
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    rows, results = {}, {}
    for kind in given.only or TROUBLES:
        outcomes = []
        for one in in_turn(given.jobs, partial(one_log, kind=kind, seed=given.seed), given.logs):
            outcomes.append(one)
            if len(outcomes) % 10 == 0:
                print(f"{kind}: {len(outcomes)} of {given.logs}", flush=True)
        rows[kind] = summary(kind, outcomes)
        print(kind, rows[kind], flush=True)
        results[kind] = [asdict(one) for one in outcomes]
        what = {"logs": given.logs, "seed": given.seed}
        write_results(given.out, {**what, "kinds": rows, "results": results})


if __name__ == "__main__":
    main()
