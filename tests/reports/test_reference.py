"""The reference is what the readers accept: every key and entry, and nothing else."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from estimator.errors import InputError
from estimator.inputs.asked import asked_keys
from estimator.inputs.columns import ENTRY_UNITS, LONG_COLUMNS
from estimator.inputs.dosing import DIRECT_STRENGTHS, RECIPES
from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.read import read_tank
from reports.reference import BEGIN, END, comment, reference
from reports.words.keys import COLUMNS, ENTRIES, KEYS, TABLES

ROOT = Path(__file__).parents[2]
DEMO = (ROOT / "demo" / "nursery-tank.toml").read_text(encoding="utf-8")


def test_the_readme_holds_the_reference_as_it_is():
    """After a change of the readers: python tests/update_reference.py."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert BEGIN + text.partition(BEGIN)[2].partition(END)[0] + END + "\n" == reference()


def test_every_key_has_its_words_and_no_other_is_told():
    """A key that is added to the reader is missed here until it is explained."""
    assert KEYS.keys() == asked_keys().keys()
    assert TABLES.keys() == {key.table for key in asked_keys().values()}
    assert ENTRIES.keys() == ENTRY_UNITS.keys()
    assert COLUMNS.keys() == set(LONG_COLUMNS)


def test_the_reader_was_asked_for_all_that_it_knows():
    """Strengths and parameters come from the registries, and the demo's keys are among all."""
    paths = asked_keys().keys()
    assert {f"solutions.NAME.{key}" for key in (*RECIPES, *DIRECT_STRENGTHS)} <= paths
    for name, parameter in PARAMETERS.items():
        for sample in parameter.samples & {"water", "reference"}:
            assert {f"{sample}.NAME.{name}", f"{sample}.NAME.{name}_unit"} <= paths
    document = tomllib.loads(DEMO)
    for table in ("tank", "reactor"):
        assert {f"{table}.{key}" for key in document[table]} <= paths


SIMPLE = [key for key in asked_keys().values() if key.table in ("tank", "reactor")]
BASE = """\
[tank]
{}
[targets.alkalinity]
low = 7
high = 8
unit = "dKH"
[reactor]
{}
"""


def faults_of(key, value):
    """What the reader says where `key` has this value and all else is as small as can be."""
    tables = {"tank": ["water_volume_l = 500"], "reactor": ["flow_max_ml_h = 3000"]}
    lines = [line for line in tables[key.table] if not line.startswith(f"{key.name} ")]
    tables[key.table] = lines if key.name != "water_volume_us_gal" else []
    if value is not None:
        tables[key.table].append(f"{key.name} = {value!r}")
    text = BASE.format("\n".join(tables["tank"]), "\n".join(tables["reactor"]))
    try:
        read_tank(Path("tank.toml"), data=text.encode())
    except InputError as error:
        return [fault for fault in error.faults if fault.column == key.path]
    return []


@pytest.mark.parametrize("key", [key for key in SIMPLE if key.limits], ids=lambda key: key.path)
def test_limits_are_the_reader_s(key):
    """At the limits a value is accepted, beyond them refused."""
    most, least = key.limits.get("at_most"), key.limits.get("at_least")
    if most is not None:
        assert faults_of(key, most * 1.01)
        if key.name not in ("flow_step_ml_h",):
            assert not faults_of(key, most)
    if least is not None:
        assert faults_of(key, least - 0.01)
        assert not faults_of(key, least)
    if (above := key.limits.get("above")) is not None:
        assert faults_of(key, above)


@pytest.mark.parametrize("key", SIMPLE, ids=lambda key: key.path)
def test_needed_keys_are_those_the_reader_misses(key):
    """`needed` in the reference is a fault where the key is absent, and only then."""
    if key.name != "water_volume_us_gal":
        assert bool(faults_of(key, None)) == key.required


def test_a_comment_says_meaning_unit_range_and_default():
    """The line that stands in a new tank file."""
    told = comment("tank.salinity_g_kg")
    assert told.startswith("salinity that you hold")
    assert told.endswith("in g/kg; 5 to 50; 35 without it")
