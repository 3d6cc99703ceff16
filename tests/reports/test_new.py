"""`uptake new` from a file of answers: two files that the readers take, or none."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import pytest

from estimator.inputs.columns import LONG_COLUMNS
from estimator.inputs.read import read_tank
from estimator.units import LITRES_PER_US_GALLON, MEQ_L_PER_DKH
from helpers.command import run
from reports.tank_text import tank_text

NOW = datetime(2026, 6, 1)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty current folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def new(answers, *arguments):
    Path("answers.toml").write_text(answers, encoding="utf-8")
    return run("new", "--dir", "mine", "--answers", "answers.toml", *arguments)


def made():
    """The tank that the new file describes."""
    return read_tank(Path("mine/tank.toml"))[0]


def test_the_volume_is_enough(folder):
    """All else has a usual answer, and both files are taken by their readers."""
    result = new('volume = "620 L"')
    assert result.exit_code == 0, result.output
    assert sorted(os.listdir("mine")) == ["log.csv", "tank.toml"]
    assert Path("mine/log.csv").read_text() == ",".join(LONG_COLUMNS) + "\n"
    tank = made()
    assert tank.water_volume_l == 620
    assert tank.reactor is None
    assert tank.solutions == {}
    assert {kit.parameter: kit.unit for kit in tank.kits.values()} == {
        "alkalinity": "dKH",
        "calcium": "mg/L",
    }
    for way in ("After each test", "Or several, a line each"):
        assert f"{way}:  uptake add mine/log.csv --tank mine/tank.toml" in result.output


FULL = """\
name = 'The "Hall" \\ 鱼'
volume = "160 US gallons"
lights = "9:30 - 21:00"
alkalinity_unit = "ppm"
alkalinity_band = "135 to 160"
calcium_band = "none"
alkalinity_step = 5
calcium_step = "none"
magnesium_step = "30"
solution_1 = "soda mix"
solution_1_by = "recipe"
solution_1_salt = "sodium carbonate"
solution_1_amount = 100
solution_2 = "lime"
solution_2_by = 2
solution_2_amount = "0,05"
solution_3 = "a.b"
solution_3_by = "meq"
solution_3_amount = 1.9
solution_4 = "ca"
solution_4_by = "calcium"
solution_4_amount = 1.2
solution_5 = "us"
solution_5_by = "gallon label"
solution_5_amount = 0.02
new_water = 140
reactor = true
pump_most = "50 mL/min"
pump_least = 60
pump_step = 10
chamber_ph = 6.6
media_kg = "unknown"
co2_g = 2000
"""


def test_every_answer_reaches_the_tank_file(folder):
    """Units, names and strengths are what was answered, in the program's own units."""
    result = new(FULL)
    assert result.exit_code == 0, result.output
    tank = made()
    assert tank.name == 'The "Hall" \\ 鱼'
    assert tank.water_volume_l == pytest.approx(160 * LITRES_PER_US_GALLON)
    assert (tank.lights_on_h, tank.lights_off_h) == (9.5, 21)
    assert tank.targets["alkalinity"].unit == "mg/L CaCO3"
    assert list(tank.targets) == ["alkalinity"]
    assert [kit.parameter for kit in tank.kits.values()] == ["alkalinity", "magnesium"]
    assert list(tank.solutions) == ["soda mix", "lime", "a.b", "ca", "us"]
    soda, lime, label, calcium, gallons = tank.solutions.values()
    assert soda.alkalinity_meq_per_ml == pytest.approx(2 * 100 / 105.988)
    assert lime.alkalinity_meq_per_ml == pytest.approx(0.05 * 100 * MEQ_L_PER_DKH)
    assert label.alkalinity_meq_per_ml == 1.9
    assert calcium.calcium_mmol_per_ml == 1.2
    assert gallons.alkalinity_meq_per_ml == pytest.approx(
        0.02 * 100 * LITRES_PER_US_GALLON * MEQ_L_PER_DKH
    )
    assert tank.waters["new"].levels["alkalinity"] == pytest.approx(140 / 50.043, rel=1e-4)
    assert tank.reactor.flow_max_ml_h == 3000
    assert tank.reactor.media_kg is None
    assert tank.reactor.co2_charge_g == 2000


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ("", ["volume", "is missing", "How much water"]),
        ("volume = 620", ["volume", "L or gal"]),
        ('volume = "620 imperial gal"', ["L or gal"]),
        ('volume = "0 L"', ["volume", "must be more than 0.1"]),
        ('volume = ["620 L"]', ["write a number, or text"]),
        ('volum = "620 L"', ["volume", "is missing"]),
        ('volume = "620 L"\nreactr = "yes"', ["reactr", "did you mean reactor?"]),
        ('volume = "620 L"\nlights = "10"', ["such as 10:00 to 20:00"]),
        ('volume = "620 L"\nlights = "10:00 to 10:00"', ["must differ"]),
        ('volume = "620 L"\nalkalinity_unit = "ppb"', ["write one of dKH"]),
        ('volume = "620 L"\nalkalinity_band = "9 to 7"', ["must be lower than high"]),
        ('volume = "620 L"\nalkalinity_band = "2.7 to 3.2"', ["check the unit"]),
        ('volume = "620 L"\nalkalinity_step = "x"', ["one plain number"]),
        ('volume = "620 L"\nalkalinity_step = 0', ["must be more than 0"]),
        ('volume = "620 L"\nsolution_1 = "soda"', ["solution_1_by", "is missing"]),
        ('volume = "620 L"\nsolution_1 = " "', ["may not be blank"]),
        ('volume = "620 L"\nsolution_1 = "s"\nsolution_1_by = "guess"', ["from 1 to 5, or recipe"]),
        (
            'volume = "620 L"\nsolution_1 = "s"\nsolution_1_by = "meq"\nsolution_1_amount = 53',
            ["at most 5.5", "ten times too high"],
        ),
        ('volume = "620 L"\nreactor = "perhaps"', ["write yes or no"]),
        ('volume = "620 L"\nreactor = "yes"', ["pump_most", "is missing"]),
        (
            'volume = "620 L"\nreactor = "yes"\npump_most = 100\npump_least = 200',
            ["must be less than flow_max_ml_h"],
        ),
        ('volume = "620 L"\nreactor = "yes"\npump_most = "3 L/h"', ["mL/min"]),
        ("= 1", ["is not valid TOML"]),
    ],
)
def test_an_answer_that_cannot_be_taken_is_refused(folder, answers, words):
    """Which answer, what was found and what to write; nothing is made."""
    result = new(answers)
    assert result.exit_code == 2, result.output
    for each in words:
        assert each in result.output
    assert os.listdir() == ["answers.toml"]


@pytest.mark.parametrize("name", ["tank.toml", "log.csv"])
@pytest.mark.parametrize("kind", ["file", "folder", "dangling link"])
def test_nothing_is_written_over(folder, name, kind):
    """Whatever has the name of one of the two files keeps both from being made."""
    Path("mine").mkdir()
    place = Path("mine") / name
    if kind == "file":
        place.write_text("mine")
    elif kind == "folder":
        place.mkdir()
    else:
        place.symlink_to("nowhere")
    result = new('volume = "620 L"')
    assert result.exit_code == 2
    assert result.output.startswith(f"mine/{name}: is there already and is never written over")
    assert os.listdir("mine") == [name]
    assert kind != "file" or place.read_text() == "mine"


def test_without_a_terminal_the_answers_are_asked_for(folder):
    """A script that lacks the option is told of it; nobody waits for an answer."""
    result = run("new", "--dir", "mine")
    assert result.exit_code == 2
    assert "--answers FILE" in result.output
    assert os.listdir() == []


def test_a_folder_that_cannot_be_made_is_named(folder):
    """As for the demo: what stands in the way, and the option."""
    Path("mine").write_text("a file")
    result = new('volume = "620 L"')
    assert result.exit_code == 2
    assert "--dir" in result.output
    assert Path("mine").read_text() == "a file"


def test_what_is_not_stated_stands_there_as_a_comment(folder):
    """With the marks taken away the lines are keys that the reader takes."""
    text = tank_text(
        {
            "tank": {"water_volume_l": 500.0},
            "targets.alkalinity": {"low": 7.0, "high": 8.0, "unit": "dKH"},
            "reactor": {"flow_max_ml_h": 3000.0},
        }
    )
    assert "\n# salinity_g_kg = 35 " in text
    stated = text.replace("\n# salinity_g_kg = 35 ", "\nsalinity_g_kg = 33 ")
    assert read_tank(Path("tank.toml"), data=stated.encode())[0].salinity_g_kg == 33
