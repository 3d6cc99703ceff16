"""Files beside the report: written with it, whole or not at all, and over nobody else's."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from estimator.errors import OutputError
from helpers.outputs import a_page, a_twin
from reports import output
from reports.output import Beside, destination, write


def ours(path: Path) -> bool:
    return path.read_text().startswith("ours")


def contents(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in folder.iterdir() if path.is_file()}


def putting(text: str) -> output.Put:
    return lambda path: path.write_text(text)


def test_every_file_is_written(tmp_path: Path) -> None:
    """Page, twin and what is beside them, in another folder too, and no other file is left."""
    (tmp_path / "other").mkdir()
    places = [
        Beside(tmp_path / "plan.ics", "--calendar", ours),
        Beside(tmp_path / "other" / "draws.nc", "--draws", ours),
    ]
    where = destination(tmp_path / "a.html", [], places)
    write(where, "page", "twin", [(place, putting("ours")) for place in places])
    assert contents(tmp_path) == {"a.html": "page", "a.json": "twin", "plan.ics": "ours"}
    assert contents(tmp_path / "other") == {"draws.nc": "ours"}


@pytest.mark.parametrize("failing", [1, 2, 3, 4])
@pytest.mark.parametrize("former", [True, False])
def test_whichever_move_fails_all_stays_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int, former: bool
) -> None:
    """Four files are one: no new page beside an old calendar."""
    places = [Beside(tmp_path / f"{name}", f"--{name}", ours) for name in ("calendar", "draws")]
    where = destination(tmp_path / "a.html", [], places)
    if former:
        where.page.write_text(a_page())
        where.twin.write_text(a_twin())
        for place in places:
            place.path.write_text(f"ours, old {place.path.name}")
    before = contents(tmp_path)
    calls = []

    def replace(source: Path, target: Path, really=os.replace) -> None:
        calls.append(target)
        if len(calls) == failing:
            raise OSError(28, "No space left on device")
        really(source, target)

    monkeypatch.setattr(output.os, "replace", replace)
    with pytest.raises(OutputError, match="No space left on device"):
        write(where, "new", "new", [(place, putting("ours, new")) for place in places])
    assert contents(tmp_path) == before


def test_a_file_that_cannot_be_made_leaves_nothing(tmp_path: Path) -> None:
    """The message names the file and its own option."""
    place = Beside(tmp_path / "plan.ics", "--calendar", ours)

    def full(path: Path) -> None:
        path.write_text("ours, in p")
        raise OSError(28, "No space left on device")

    where = destination(tmp_path / "a.html", [], [place])
    with pytest.raises(OutputError, match=r"plan\.ics: .*choose another --calendar"):
        write(where, "page", "twin", [(place, full)])
    assert contents(tmp_path) == {}


def test_a_file_of_somebody_else_is_never_written_over(tmp_path: Path) -> None:
    """Known by what it holds; one of this program's is replaced."""
    path = tmp_path / "plan.ics"
    place = Beside(path, "--calendar", ours)
    path.write_text("BEGIN:VCALENDAR")
    with pytest.raises(OutputError, match=r"plan\.ics: .*not known.*another --calendar"):
        destination(tmp_path / "a.html", [], [place])
    path.write_text("ours")
    assert destination(tmp_path / "a.html", [], [place]).page == tmp_path / "a.html"
    assert contents(tmp_path) == {"plan.ics": "ours"}


def test_places_that_cannot_be_are_refused(tmp_path: Path) -> None:
    """A folder, none, an input, and the place of another output; each with its remedy."""
    log = tmp_path / "log.csv"
    log.write_text("ours: time,entry,value")
    (tmp_path / "folder").mkdir()
    for path, rule in (
        (tmp_path / "folder", "a folder has that name"),
        (tmp_path / "none" / "plan.ics", "folder for the file must exist"),
        (log, "input file"),
        (tmp_path / "a.html", "another file of this report"),
        (tmp_path / "a.json", "another file of this report"),
        (Path(), "a folder has that name"),
    ):
        with pytest.raises(OutputError, match=f"{rule}.*--draws"):
            destination(tmp_path / "a.html", [log], [Beside(path, "--draws", ours)])
    same = [Beside(tmp_path / "x", option, ours) for option in ("--calendar", "--draws")]
    with pytest.raises(OutputError, match="another file of this report goes there"):
        destination(tmp_path / "a.html", [], same)
    assert contents(tmp_path) == {"log.csv": "ours: time,entry,value"}
