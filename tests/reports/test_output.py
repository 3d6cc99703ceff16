"""Both files are written whole, or nothing changes."""

from __future__ import annotations

import os

import pytest

from estimator.errors import OutputError
from reports import output
from reports.output import Destination, destination, write


def contents(folder):
    return {path.name: path.read_text() for path in folder.iterdir()}


def test_both_files_are_written(tmp_path):
    """A new report stands beside its twin, and no other file is left."""
    where = destination(tmp_path / "a.html", [])
    write(where, "<p>page", "{}")
    assert contents(tmp_path) == {"a.html": "<p>page", "a.json": "{}"}


@pytest.mark.parametrize(
    ("out", "twin"), [("a.html", "a.json"), ("a.b.HTM", "a.b.json"), ("a.v2", "a.v2.json")]
)
def test_twin_takes_the_name_of_the_page(tmp_path, out, twin):
    """The twin is found beside the page."""
    assert destination(tmp_path / out, []).twin == tmp_path / twin


@pytest.mark.parametrize("failing", [1, 2])
@pytest.mark.parametrize("former", [True, False])
def test_failure_changes_nothing(tmp_path, monkeypatch, failing, former):
    """Should either move fail, the former files stand as they were, or none does."""
    where = Destination(tmp_path / "a.html", tmp_path / "a.json")
    if former:
        where.page.write_text("old page")
        where.twin.write_text("old twin")
    before = contents(tmp_path)
    calls = []

    def replace(source, target, really=os.replace):
        calls.append(target)
        if len(calls) == failing:
            raise OSError(28, "No space left on device")
        really(source, target)

    monkeypatch.setattr(output.os, "replace", replace)
    with pytest.raises(OutputError, match="No space left on device"):
        write(where, "new page", "new twin")
    assert contents(tmp_path) == before


def test_half_written_file_is_removed(tmp_path, monkeypatch):
    """A disk that fills up while writing leaves no fragment."""

    def fsync(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(output.os, "fsync", fsync)
    with pytest.raises(OutputError, match="nothing was changed"):
        write(Destination(tmp_path / "a.html", tmp_path / "a.json"), "page", "twin")
    assert contents(tmp_path) == {}


def test_inputs_are_never_written_over(tmp_path):
    """Neither the page nor the twin may take the place of the log, by any of its names."""
    log = tmp_path / "log.json"
    log.write_text("time,entry,value")
    with pytest.raises(OutputError, match="never written over"):
        destination(tmp_path / "log.html", [log])
    other = tmp_path / "other.html"
    other.symlink_to(log)
    with pytest.raises(OutputError, match="never written over"):
        destination(other, [log])


@pytest.mark.parametrize(
    ("out", "words"),
    [
        ("missing/a.html", "must exist"),
        ("a.json", "name it .html"),
        ("folder.html", "a folder has that name"),
        (f"{'x' * 300}.html", "could not be written"),
    ],
)
def test_bad_destinations_are_named_before_any_work(tmp_path, out, words):
    """What cannot be written is said before the fit, with the remedy."""
    (tmp_path / "folder.html").mkdir()
    with pytest.raises(OutputError, match=words):
        destination(tmp_path / out, [])
