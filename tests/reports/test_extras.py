"""--since, --calendar and --draws of the command, without a fit."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from helpers.command import run
from helpers.fits import known_posterior
from helpers.outputs import a_page, a_twin
from helpers.tanks import PLAIN_TANK_FILE
from helpers.twins import Json, new_twin, old_twin, reading
from reports.calendar_file import is_calendar
from reports.extras import is_draws
from reports.twin.since import since_last

TANK = PLAIN_TANK_FILE
LOG = "time,entry,value\n2026-05-01,alkalinity,8.4\n2026-05-02,alkalinity,8.2\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A log and a tank file in the current folder, and a fit of which a twin is made up."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    (tmp_path / "tank.toml").write_text(TANK, encoding="utf-8")
    study = SimpleNamespace(
        posterior=known_posterior(),
        log=SimpleNamespace(sha256="cc", end=datetime(2026, 5, 3, 12)),
        tank_sha256="bb",
        seed=1,
        seconds={},
    )

    def build(_: Any, *, timings: bool = False, former: Any = None) -> Json:
        twin = new_twin(reading("2026-05-02T09:00:00", 8.2))
        twin["plan"] |= {"tests": [], "ladder": [], "rule": None, "report_again": "2026-05-08"}
        twin["plan"]["today"]["once"] = []
        return twin | {"since_last": since_last(former, twin)}

    monkeypatch.setattr("estimator.pipeline.run_study", lambda *_, **__: study)
    monkeypatch.setattr("reports.twin.build.build_twin", build)
    monkeypatch.setattr("reports.page.shell.render", lambda *_: a_page())
    monkeypatch.setattr("reports.summary.terminal_lines", lambda *_: ["Done."])
    return tmp_path


def report(*arguments: str) -> Any:
    return run("report", "log.csv", "--tank", "tank.toml", "--out", "r.html", *arguments)


def told(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))["since_last"]


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()} - {"log.csv", "tank.toml"}


def test_the_twin_that_is_replaced_is_looked_back_on(folder: Path) -> None:
    """No option is needed; it is read before it is written over."""
    assert report().exit_code == 0
    assert told(folder / "r.json") is None
    (folder / "r.json").write_text(json.dumps(old_twin()), encoding="utf-8")
    assert report().exit_code == 0
    assert told(folder / "r.json")["as_of"] == "2026-05-01T12:00:00"
    assert told(folder / "r.json")["as_foretold"] == 1


def test_a_report_made_again_is_the_same_bytes(folder: Path) -> None:
    """What was told of the last report is not lost on the second run."""
    (folder / "r.json").write_text(json.dumps(old_twin()), encoding="utf-8")
    assert report().exit_code == 0
    first = (folder / "r.json").read_bytes()
    assert report().exit_code == 0
    assert (folder / "r.json").read_bytes() == first


def test_a_named_report_goes_before_the_one_that_is_replaced(folder: Path) -> None:
    """--since names any earlier twin."""
    (folder / "r.json").write_text(json.dumps(old_twin()), encoding="utf-8")
    older = old_twin() | {"as_of": "2026-04-20T12:00:00"}
    (folder / "older.json").write_text(json.dumps(older), encoding="utf-8")
    assert report("--since", "older.json").exit_code == 0
    assert told(folder / "r.json")["as_of"] == "2026-04-20T12:00:00"


@pytest.mark.parametrize("text", ["{", '{"some": "thing"}', None])
def test_a_named_file_that_is_no_twin_is_an_error(folder: Path, text: str | None) -> None:
    """Exit code 2, file and remedy named, nothing written."""
    if text is not None:
        (folder / "old.json").write_text(text, encoding="utf-8")
    result = report("--since", "old.json", "--calendar", "plan.ics")
    assert result.exit_code == 2
    assert result.output.startswith("old.json")
    assert names(folder) <= {"old.json"}


def test_an_unreadable_twin_in_the_reports_place_is_passed_over(folder: Path) -> None:
    """It is ours and about to be replaced: a note, and the report all the same."""
    (folder / "r.json").write_text(a_twin(), encoding="utf-8")
    result = report()
    assert result.exit_code == 0
    assert "Not looked back on: r.json" in result.output
    assert told(folder / "r.json") is None


def test_a_report_of_another_tank_is_not_looked_back_on(folder: Path) -> None:
    """Null, and a note that says which tank it is of."""
    other = old_twin() | {"tank": {"name": "Cellar"}}
    (folder / "old.json").write_text(json.dumps(other), encoding="utf-8")
    result = report("--since", "old.json")
    assert result.exit_code == 0
    assert "Not looked back on: old.json is of the tank “Cellar”" in result.output
    assert told(folder / "r.json") is None


def test_calendar_and_draws_are_written_with_the_report(folder: Path) -> None:
    """Each is known again, and replaced by the next run's same bytes."""
    arguments = ("--calendar", "plan.ics", "--draws", "draws.nc")
    assert report(*arguments).exit_code == 0
    assert names(folder) == {"r.html", "r.json", "plan.ics", "draws.nc"}
    assert is_calendar(folder / "plan.ics")
    assert is_draws(folder / "draws.nc")
    before = {name: (folder / name).read_bytes() for name in ("plan.ics", "draws.nc")}
    assert report(*arguments).exit_code == 0
    assert {name: (folder / name).read_bytes() for name in before} == before


@pytest.mark.parametrize("option", ["--calendar", "--draws"])
def test_another_file_in_the_place_is_kept(folder: Path, option: str) -> None:
    """Exit code 2 before anything is fitted, the option named, nothing written."""
    (folder / "mine").write_text("mine", encoding="utf-8")
    result = report(option, "mine")
    assert result.exit_code == 2
    assert option in result.output
    assert (folder / "mine").read_text(encoding="utf-8") == "mine"
    assert names(folder) == {"mine"}


@pytest.mark.parametrize("option", ["--since", "--calendar", "--draws"])
def test_a_folder_takes_no_file_of_one_tank(folder: Path, option: str) -> None:
    """One calendar cannot hold the plans of all tanks."""
    result = run("report", ".", option, "x.json")
    assert result.exit_code == 2
    assert f"{option} is for one log" in result.output


def test_a_file_of_another_kind_holds_no_draws(tmp_path: Path) -> None:
    """HDF5 of others too."""
    for data in (b"", b"CDF\x01 reef_uptake_draws", b"\x89HDF\r\n\x1a\n" + bytes(5000)):
        (tmp_path / "x.nc").write_bytes(data)
        assert not is_draws(tmp_path / "x.nc")
