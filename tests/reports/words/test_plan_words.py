"""Words for remarks on the plan."""

from __future__ import annotations

import ast
from pathlib import Path

from estimator.remark import Remark
from helpers.tanks import example_tank
from reports.words.plan import WORDS
from reports.words.table import words

PACKAGE = Path(__file__).parents[3] / "estimator" / "plan"
VALUES = {
    "days": 3,
    "most_ml_h": 1800.0,
    "steps": 2,
    "solutions": ("chloride",),
    "about": "strength",
    "set_to_ml_h": 1800.0,
    "wanted_ml_h": 2220.0,
    "dose_ml_d": {"soda": 36.0},
}


def test_every_code_is_used_and_has_words() -> None:
    """No remark of the package is without words, and no words are without a remark."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in PACKAGE.glob("*.py")]
    nodes = [node for tree in trees for node in ast.walk(tree)]
    said = {node.value for node in nodes if isinstance(node, ast.Constant)}
    remarks = {
        node.args[0].value
        for node in nodes
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Remark"
        if isinstance(node.args[0], ast.Constant)
    }
    assert remarks <= set(WORDS) <= said


def test_remarks_are_sentences_with_their_numbers() -> None:
    """Whole sentences without gaps; remedies are parts of one."""
    for code in WORDS:
        told = words(Remark(code, VALUES), example_tank())
        assert "{" not in told
        assert "  " not in told
        assert told.endswith(".") == told[0].isupper()
    assert "goes no higher than 1800 mL/h" in words(
        Remark("plan_held_back", VALUES), example_tank()
    )
    assert "additions on 3 days bring it back" in words(
        Remark("plan_corrects", VALUES), example_tank()
    )
    assert "so chloride pauses until" in words(
        Remark("plan_calcium_pauses", VALUES), example_tank()
    )
