"""Every remark of the estimator has words, and all words are used."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from estimator import units
from estimator.advice.flow import recommend
from estimator.fit import watch
from estimator.fit.checks import NOT_CHECKED, diagnose
from estimator.inputs.tank import Reactor, Target
from estimator.plan.guard import CAUSE_FIRST, FORBIDDING, Held
from estimator.remark import Remark
from estimator.unknowns import Unknown
from estimator.water.salinity import salinity_note
from helpers.fits import known_posterior
from helpers.studies import build_study
from helpers.tanks import example_log, example_tank
from reports.page.sections.watch import KINDS
from reports.words import advice, alarms, fit, plan
from reports.words.table import BY_CODE, TABLES, words

ESTIMATOR = Path(__file__).parents[3] / "estimator"
SUBJECTS = ("fit_", "trust_", "withheld_", "note_")
DKH = units.MEQ_L_PER_DKH


def codes_in_source() -> set[str]:
    """Every string of the estimator's source that looks like a code of these subjects."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in ESTIMATOR.rglob("*.py")]
    texts = {
        node.value
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    return {text for text in texts if text.startswith(SUBJECTS) and " " not in text}


def test_every_code_has_words_and_all_words_are_used() -> None:
    """A code without words breaks the report; words without a code are never read."""
    assert codes_in_source() == {code for code in BY_CODE if code.startswith(SUBJECTS)}


def test_every_alarm_has_words() -> None:
    """Whatever may stand before a setting is told: what it is, causes, what to look at first."""
    source = ast.parse((ESTIMATOR / "advice" / "alarms.py").read_text(encoding="utf-8"))
    codes = {
        node.args[1].value
        for node in ast.walk(source)
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "_alarm"
        if isinstance(node.args[1], ast.Constant)
    }
    assert codes == {"log_age", "fit"}
    ways = {f"{kind}_{way}" for kind in ("chamber_ph", "salinity") for way in ("up", "down")}
    doubts = {"additions_up", "additions_down", "level_impossible", "strength_wrong"}
    doubts |= {"volume_wrong", "kit_scatter"}
    assert ways | doubts | {"log_age"} <= set(alarms.ALARMS)
    values = {"of": "drops", "stated_g_kg": 35.0, "source": Unknown.CALCIUM}
    for code in (*alarms.ALARMS, "fit"):
        what = alarms.what_of(f"alarm_{code}", values)
        assert not what.endswith(".")
        assert not set(what) & set("{}")
        for text in (f"alarm_{code}", f"alarm_{code}_check"):
            told = words(Remark(text, values), example_tank())
            assert told.endswith(".")
            assert not set(told) & set("{}")


def test_no_remedy_is_another_seed() -> None:
    """A fit that fails lacks data: other random numbers are no remedy."""
    reports = ESTIMATOR.parent / "reports"
    every = [path.read_text(encoding="utf-8") for path in reports.rglob("*.py")]
    assert [text for text in every if "another seed" in text or "another --seed" in text] == []


def test_a_code_stands_in_one_table() -> None:
    """Two tables with one code would hide one another's words."""
    count = Counter(code for table in TABLES for code in table)
    assert [code for code, tables in count.items() if tables > 1] == []


def test_everything_unknown_has_a_name_and_a_remedy() -> None:
    """Whatever may be the largest source of uncertainty can be told of, in the middle of a line."""
    assert set(advice.UNKNOWNS) == set(Unknown)
    for text in (part for entry in advice.UNKNOWNS.values() for part in entry):
        assert text[0].islower()
        assert text[-1].isalpha()


def test_every_change_has_words() -> None:
    """Up and down of whatever is watched, and the test that tells it from the others."""
    kinds = {kind for kind, _ in fit.CHANGES}
    assert set(fit.CHANGES) == {(kind, way) for kind in kinds for way in ("up", "down")}
    assert set(fit.TELLING_TESTS) == kinds
    assert kinds <= {code.rsplit("_", 1)[0] for code in alarms.ALARMS}
    assert set(KINDS) == kinds
    assert set(watch.KINDS.values()) < kinds
    assert named_changes() | set(watch.KINDS.values()) == kinds


def named_changes() -> set[str]:
    """Kinds that the fit's source names where it makes a `Change`."""
    trees = [ast.parse(path.read_text("utf-8")) for path in (ESTIMATOR / "fit").glob("*.py")]
    kinds = [
        node.args[0] if node.args else next(k.value for k in node.keywords if k.arg == "kind")
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Change"
    ]
    return {kind.value for kind in kinds if isinstance(kind, ast.Constant)}


def flow_remarks() -> list[Remark]:
    """Reasons and notes of every kind, from draws that call for them."""
    rng = np.random.default_rng(1)

    def around(median: float, log_sd: float) -> np.ndarray:
        return median * np.exp(log_sd * rng.standard_normal(500))

    running = {"draws": 500, "uptake": around(0.5, 0.01)}
    never_ran = {"flow_l_d": None}
    # Needed: about 60 L/day, 2480 mL/h.
    cases = [
        ({"diagnostics": NOT_CHECKED}, {}),
        (never_ran, {}),
        (never_ran | {"flow_logged": True}, {}),
        (never_ran | {"effluent_tested": False, "net_change": True}, {"reactor": None}),
        ({"uptake": 0.03 + 0.05 * rng.standard_normal(500)}, {}),
        ({"gain": around(5.4, 0.6)}, {}),
        ({"drift": np.full(500, 0.5)}, {}),
        ({}, {"reactor": Reactor(60.0, 1500.0, 10.0)}),
        ({}, {"reactor": Reactor(3000.0, 9000.0, 10.0)}),
        ({}, {"reactor": Reactor(2450.0, 2550.0, 1000.0)}),
        ({"reach": 0.05}, {}),
        ({"reach": 0.12, "gain": around(5.4, 0.02)}, {}),
        ({"gain": around(5.4, 0.35)}, {}),
        ({"alkalinity_now_meq_l": np.full(500, 6.5 * DKH), "dosed_meq_d": 120.0}, {}),
        ({"calcium_now_mmol_l": np.full(500, 20.0)}, {}),
        ({}, {"targets": {"alkalinity": Target(8.1 * DKH, 8.3 * DKH, "dKH")}}),
    ]
    found = []
    for changes, tank in cases:
        one = recommend(
            known_posterior(**(running | changes)), example_tank(**tank), np.random.SeedSequence(1)
        )
        found += [*one.reasons, *one.notes]
    return found


def fit_remarks() -> list[Remark]:
    """Failures of each kind of check."""
    rng = np.random.default_rng(0)
    odd = rng.standard_normal(2000) + np.repeat([0.0, 0.0, 0.0, 3.0], 500)
    failures = diagnose({"odd one": odd}, 4, 30).failures
    return [*failures, *NOT_CHECKED.failures]


def salinity_notes() -> list[Remark | None]:
    """Of a log whose salinity was read lately, and of one where that is long ago."""
    read = [(1.0, "salinity", "tank", "", 33.8), (3.0, "salinity", "tank", "", 34.1)]
    logs = (example_log(read, [(end, "stock_change")]) for end in (9.0, 60.0))
    return [salinity_note(log, example_tank()) for log in logs]


def guard_remarks() -> list[Remark]:
    """A setting that waits for its cause, each cause, and a raise held back, with and without a
    bridge."""
    causes = (*FORBIDDING, "additions")
    return [
        *(Remark(CAUSE_FIRST, {"about": about}) for about in causes if about != "fit"),
        Held(1800.0, 2220.0, {"soda": 36.4}, 60.0).note(),
        Held(1800.0, 2220.0, {}, 0.0).note(),
    ]


REMARKS = [
    *guard_remarks(),
    *flow_remarks(),
    *salinity_notes(),
    *fit_remarks(),
    *(reason for variant in ("full", "failed") for reason in build_study(variant).trust.reasons),
]


GUARDED = [code for code in plan.WORDS if code.startswith(SUBJECTS)]


@pytest.mark.parametrize("code", [*advice.WORDS, *fit.WORDS, *GUARDED])
def test_words_are_filled_from_the_values_that_the_estimator_gives(code) -> None:
    """No blank is left open, in a remark as the estimator makes it."""
    made = [one for one in REMARKS if one.code == code]
    if not made:
        assert code.startswith("trust_"), "make a remark of each kind"
        made = [Remark(code)]
    for one in made:
        text = words(one, example_tank())
        assert text
        assert not set(text) & set("{}")
        assert text.endswith(".") == (code.startswith(("withheld_", "note_")))


def test_remarks_among_values_become_their_words() -> None:
    """Why the fit failed stands in the reason that names it."""
    failures = (Remark("fit_not_checked"), Remark("fit_divergent", {"divergences": 9, "draws": 2}))
    told = {"failures": failures, "source": Unknown.EFFLUENT}
    text = words(Remark("withheld_fit_failed", told), example_tank())
    assert "own checks: the sampling was not checked; 9 divergent transitions in 2 draws" in text


def test_salinity_is_told_as_it_was_read() -> None:
    """What readings are normalised by, and how old the last salinity reading is."""
    lately, old = (words(note, example_tank()) for note in salinity_notes() if note)
    assert lately == old.split(" It was last")[0]
    assert "would be at 35 g/kg, to which its readings are converted: its own" in lately
    assert "salinity, by the log, was 34.1 g/kg." in lately
    assert "57 days before the log's end" in old


def test_alkalinity_is_told_in_the_keepers_unit() -> None:
    """0.2 meq/L is 0.56 dKH (DIN: 1 dKH is 10 mg/L of CaO)."""
    text = words(Remark("note_dosing_must_stop", {"rise_meq_l_d": 0.2}), example_tank())
    assert "about 0.56 dKH a day" in text
