"""The rule by which dataclasses become JSON, and the tables of what it does not know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Any, NamedTuple

import numpy as np
import pytest

from estimator.inputs.parameters import CALCIUM, MAGNESIUM
from estimator.remark import Remark
from helpers.studies import build_study
from reports.twin.build import TABLE
from reports.twin.quantities import quantiles
from reports.twin.serialise import Naming, Writer, rule_of

DKH = 2.80385
"""dKH in a meq/L: 10 mg/L of CaO are one dKH (DIN)."""


def writer(table: Mapping[type, Naming] | None = None) -> Writer:
    """Of the full study: alkalinity in dKH, calcium in mg/L; remarks read as their code."""
    return Writer(build_study("full"), table or {}, lambda remark, tank: f"<{remark.code}>")


@dataclass(frozen=True)
class Salt:
    """A part of a study that nobody has written a word about."""

    salinity_g_kg: float
    lost_g_d: np.ndarray
    low_chance: float


@dataclass(frozen=True)
class Point:
    low: float
    high: float | None = None


class Pair(NamedTuple):
    before: Any
    after: Any


class Kind(StrEnum):
    GOOD = "good"


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("uptake_meq_l_d", "uptake"),
        ("above_meq_l", "above"),
        ("calcium_now_mmol_l", "calcium_now"),
        ("calcium_uptake_mmol_l_d", "calcium_uptake"),
        ("magnesium_mmol_l", "magnesium"),
        ("free_co2_mmol_l", "free_co2_mmol_l"),
        ("co2_g_d", "co2_g_per_day"),
        ("dose_ml_d", "dose_ml_per_day"),
        ("needed_l_d", "needed_l_per_day"),
        ("dosed_meq_d", "dosed_meq_per_day"),
        ("interval_d", "interval_days"),
        ("flow_ml_h", "flow_ml_h"),
        ("volume_l", "volume_l"),
        ("charge_g", "charge_g"),
        ("low_chance", "low_probability"),
        ("sd_fraction", "sd_pct"),
        ("odd", "odd"),
    ],
)
def test_the_suffix_of_a_field_gives_its_key(name, key):
    """Units that are the keeper's leave the key; those for everybody are spelt out in it."""
    assert rule_of(name)[0] == key


def test_the_suffix_of_a_field_gives_its_conversion():
    """1 meq/L is 2.80385 dKH, 1 mmol/L of calcium 40.078 mg/L; a fraction is per cent."""

    @dataclass(frozen=True)
    class Found:
        above_meq_l: float
        rise_meq_l_d: float
        calcium_mmol_l: float
        free_co2_mmol_l: float
        sd_fraction: float
        flow_ml_h: float

    assert writer().write(Found(3.0, 0.5, 10.0, 2.0, 0.06, 250.0)) == pytest.approx(
        {
            "above": 3 * DKH,
            "rise": 0.5 * DKH,
            "calcium": 400.78,
            "free_co2_mmol_l": 2.0,
            "sd_pct": 6.0,
            "flow_ml_h": 250.0,
        },
        rel=1e-5,
    )


def test_what_a_field_holds_takes_its_unit():
    """A tuple, a mapping or an object without units of its own is in the unit of its field."""

    @dataclass(frozen=True)
    class Found:
        pair_meq_l: tuple[float, float]
        by_month_meq_l: Mapping[int, float]
        band_meq_l: Point

    found = writer().write(Found((1.0, 2.0), {3: 1.0}, Point(1.0)))
    assert found["pair"] == pytest.approx([DKH, 2 * DKH], rel=1e-5)
    assert found["by_month"] == pytest.approx({"3": DKH}, rel=1e-5)
    assert found["band"]["low"] == pytest.approx(DKH, rel=1e-5)
    assert found["band"]["high"] is None


def test_draws_become_quantiles_in_the_keepers_unit():
    """Quantiles of 0, 1, … 100 are their own percentages, times the unit."""

    @dataclass(frozen=True)
    class Found:
        uptake_meq_l_d: np.ndarray
        volume_l: np.ndarray

    found = writer().write(Found(np.arange(101.0), np.arange(101.0)))
    assert found["volume_l"] == pytest.approx(quantiles(np.arange(101.0)), rel=1e-5)
    assert found["volume_l"]["q95"] == 95.0
    assert found["uptake"]["q95"] == pytest.approx(95 * DKH, rel=1e-5)


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (None, None),
        (True, True),
        (np.bool_(False), False),
        (3, 3),
        (np.int64(3), 3),
        (1 / 3, 0.333333),
        (1234567.8, 1234570.0),
        (np.float64(0.5), 0.5),
        (float("nan"), None),
        (float("-inf"), None),
        ("text", "text"),
        (Kind.GOOD, "good"),
        (date(2026, 3, 1), "2026-03-01"),
        (datetime(2026, 3, 1, 9, 30, 15, 999), "2026-03-01T09:30:15"),
        ((1, "two", None), [1, "two", None]),
        ({1: date(2026, 3, 1), Kind.GOOD: ()}, {"1": "2026-03-01", "good": []}),
        (Pair(1, Point(2.0)), {"before": 1, "after": {"low": 2.0, "high": None}}),
        (Remark("too_few", {"tests": 3}), "<too_few>"),
        (Pair((Remark("a"), Remark("b")), ()), {"before": ["<a>", "<b>"], "after": []}),
    ],
)
def test_the_type_of_a_value_gives_its_form(value, written):
    """Six digits, ISO dates, null for what is not known, plain JSON types, words for remarks."""
    found = writer().write(value)
    assert found == written
    assert type(found) is type(written)


def test_a_remark_is_put_into_words_for_its_tank():
    """The words may print a canonical value in the keeper's unit."""
    study = build_study("full")
    one = Writer(study, {}, lambda remark, tank: f"{remark.code} in {tank.targets['calcium'].unit}")
    assert one.write((Remark("low"),)) == ["low in mg/L"]


def test_written_parts_can_be_written_again():
    """A function of the table may return parts that are JSON already."""
    once = writer().write(Salt(35.0, np.arange(5.0), 0.2))
    assert writer().write(once) == once


def test_a_new_part_needs_no_word_in_the_tables():
    """Three numbers in a dataclass of their own come out under keys with their units."""
    found = writer(TABLE).write(Salt(35.0, np.arange(101.0), 0.2))
    assert found.keys() == {"salinity_g_kg", "lost_g_per_day", "low_probability"}
    assert found["lost_g_per_day"]["q50"] == 50.0


def test_an_entry_names_leaves_out_and_computes():
    """The table speaks of what differs; all other fields are written by the rule."""

    @dataclass(frozen=True)
    class Found:
        good_days: float
        level_meq_l: float
        used_g: float
        narrowing: float
        inner: Point
        stock: Point | None

        @property
        def passes(self) -> bool:
            return True

    entry = Naming(
        "good_days=good_days_share -used_g narrowing=narrowing_pct passes *inner "
        "stock.low=stock_low",
        {"twice_meq_l": lambda found, _: 2 * found.level_meq_l, "stock": lambda *_: "none"},
    )
    found = writer({Found: entry}).write(Found(0.9, 1.0, 7.0, 0.25, Point(1.0, 2.0), None))
    assert found == {
        "good_days_share": 0.9,
        "level": pytest.approx(DKH, rel=1e-5),
        "narrowing_pct": 25.0,
        "low": 1.0,
        "high": 2.0,
        "stock": "none",
        "passes": True,
        "stock_low": None,
        "twice": pytest.approx(2 * DKH, rel=1e-5),
    }


def test_an_entry_may_write_some_fields_only_and_drop_a_unit():
    """For a class of which little is shown, and for objects that name their unit themselves."""

    @dataclass(frozen=True)
    class Found:
        low_ml_h: float
        high_ml_h: float
        now_mmol_l: float

    found = Found(10.0, 20.0, 2.0)
    assert writer({Found: Naming("high_ml_h", only=True)}).write(found) == {"high_ml_h": 20.0}
    entry = Naming(drop="_ml_h", of=MAGNESIUM)
    assert writer({Found: entry}).write(found) == {"low": 10.0, "high": 20.0, "now": 48.61}


def test_a_series_is_written_number_by_number():
    """Axes and grids hold no draws."""

    @dataclass(frozen=True)
    class Grid:
        axis: np.ndarray
        grid: np.ndarray

    grid = Grid(np.array([1.0, np.inf]), np.array([[1.0, 2.0], [3.0, 4.0]]))
    assert writer({Grid: Naming(series=True)}).write(grid) == {
        "axis": [1.0, None],
        "grid": [[1.0, 2.0], [3.0, 4.0]],
    }


def test_what_no_rule_writes_is_an_error():
    """A table of draws by day, an unknown type and two fields of one key are never guessed at."""

    @dataclass(frozen=True)
    class Twice:
        above_meq_l: float
        above: float

    with pytest.raises(TypeError, match=r"\(2, 3\)"):
        writer().write(np.ones((2, 3)))
    with pytest.raises(TypeError, match="complex"):
        writer().write(1j)
    with pytest.raises(ValueError, match="above"):
        writer().write(Twice(1.0, 1.0))


def test_a_missing_object_leaves_its_keys_null():
    """A reader finds every key, whatever the tank."""
    assert writer({Point: Naming("low=least")}).nulls(Point) == {"least": None, "high": None}


def test_levels_are_in_the_keepers_unit():
    """None stays None: an untested level is not a guess."""
    one = writer()
    assert one.level(CALCIUM, np.full(3, 10.0))["unit"] == "mg/L"
    assert one.level(CALCIUM, np.full(3, 10.0))["q50"] == pytest.approx(400.78)
    assert one.level(CALCIUM, None) is None


@pytest.mark.parametrize("of", TABLE, ids=lambda of: of.__name__)
def test_the_tables_name_what_is_there(of):
    """A field that was renamed must be renamed in the tables too."""
    entry = TABLE[of]
    told = [token.lstrip("-*").partition("=")[0].split(".")[0] for token in entry.names.split()]
    assert is_dataclass(of)
    known = {field.name for field in fields(of)} | set(dir(of)) | set(entry.computed)
    assert set(told) - known == set()
