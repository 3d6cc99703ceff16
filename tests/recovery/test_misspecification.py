"""The ranges where the truth differs from the model; the whole study is `misspecification.py`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from estimator.advice.trust import HELD_IF_KIT_SHIFTED, HELD_IF_SATURATION
from recovery.misspecification import OUTLIERS, one_log

STUDY = json.loads(Path(__file__).with_name("misspecification.json").read_text())["departures"]
WARNED = {"alkalinity now"}
"""Of which the report says that a shifted kit or saturation makes the range too small."""


@pytest.mark.sampler
def test_outliers_hardly_move_the_needed_flow() -> None:
    """One reading in twenty off by three kit steps: less than a fifth of the range, in most logs.

    Keeper 3 is the worst of those looked at (a third of its range): the outlier is among its last.
    With 400 draws a fit the chains alone move a median by two or three hundredths of the range.
    """
    shifts = [
        one_log(keeper, departure=OUTLIERS, seed=1, draws=100).flow_shift for keeper in (3, 0, 5)
    ]
    assert None not in shifts
    assert sorted(shifts)[1] < 0.2
    assert max(shifts) < 0.5


def test_the_report_quotes_what_the_study_found() -> None:
    """The shares beside the level are those of the committed study."""
    found = {
        name: STUDY[name]["in_90"]["alkalinity now"]
        for name in ("silent 5 % kit shift", "uptake follows saturation")
    }
    assert pytest.approx(found["silent 5 % kit shift"], abs=0.006) == HELD_IF_KIT_SHIFTED
    assert pytest.approx(found["uptake follows saturation"], abs=0.006) == HELD_IF_SATURATION


@pytest.mark.parametrize("departure", STUDY)
def test_what_the_study_found_below_four_in_five_is_warned_of(departure) -> None:
    """A range that holds too seldom in the committed study is one that the report warns of."""
    low = {name for name, share in STUDY[departure]["in_90"].items() if share < 0.8}
    assert low - {"uptake now, by local level"} <= WARNED
