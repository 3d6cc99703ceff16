"""Both files are written whole, or nothing changes."""

from __future__ import annotations

import os

import pytest

from estimator.errors import OutputError
from helpers.outputs import a_page, a_twin
from helpers.studies import build_study
from reports import output
from reports.index import build_index, index_json, render_index
from reports.many import Status, TankOutcome
from reports.output import Destination, create, destination, write
from reports.page.shell import render
from reports.twin.build import build_twin, to_json


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
        where.page.write_text(a_page())
        where.twin.write_text(a_twin())
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


NOT_OURS = [
    ("a.html", ""),
    ("a.html", "<!DOCTYPE html><title>mine</title>"),
    ("a.html", "my notes on " + a_page()),
    ("a.html", "<!DOCTYPE html>" + "x" * 5000 + a_page()),
    ("a.json", ""),
    ("a.json", "{}"),
    ("a.json", '{"schema_version": 1}'),
    ("a.json", '{"schema_version": 1, "status": "", "versions": ""} trailing'),
    ("a.json", '["schema_version", "inputs", "status", "versions"]'),
    ("a.json", '{"a":' * 50_000),
    ("a.json", a_page()),
    ("a.html", a_twin()),
]


@pytest.mark.parametrize(("name", "text"), NOT_OURS)
@pytest.mark.parametrize("link", [False, True])
def test_a_file_of_another_kind_is_never_replaced(tmp_path, name, text, link):
    """Any file but a report of this program stays, whatever its name, and through a link too."""
    place = tmp_path / name
    mine = tmp_path / "mine" if link else place
    mine.write_text(text)
    if link:
        place.symlink_to(mine)
    before = contents(tmp_path)
    with pytest.raises(OutputError, match="choose another --out, or move it away"):
        destination(tmp_path / "a.html", [])
    # The same where it came to stand there while the fit ran.
    with pytest.raises(OutputError, match="no other is written over"):
        write(Destination(tmp_path / "a.html", tmp_path / "a.json"), a_page("new"), a_twin("new"))
    assert contents(tmp_path) == before
    assert place.is_symlink() == link


@pytest.mark.parametrize("kind", ["tank", "index"])
def test_a_former_report_is_replaced_by_the_next(tmp_path, kind):
    """The real pages and twins, of a tank and of many, are known again."""
    if kind == "tank":
        twin = build_twin(build_study("full"))
        page, text = render(twin, "a.json"), to_json(twin)
    else:
        index = build_index([TankOutcome("a.csv", Status.BAD_INPUT, ("x",))], seed=1)
        page, text = render_index(index), index_json(index)
    write(destination(tmp_path / "a.html", []), page, text)
    write(destination(tmp_path / "a.html", []), a_page("next"), a_twin("next"))
    assert contents(tmp_path) == {"a.html": a_page("next"), "a.json": a_twin("next")}


def test_a_link_stays_and_leads_to_the_new_report(tmp_path):
    """Who keeps the report elsewhere and links to it finds the new one there."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "x.html").write_text(a_page())
    (tmp_path / "a.html").symlink_to(elsewhere / "x.html")
    write(destination(tmp_path / "a.html", []), a_page("new"), a_twin("new"))
    assert (tmp_path / "a.html").is_symlink()
    assert (elsewhere / "x.html").read_text() == a_page("new")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.html", "a.json", "elsewhere"]
    assert [path.name for path in elsewhere.iterdir()] == ["x.html"]


def test_new_files_are_made_all_or_none(tmp_path):
    """What stands in the way of one leaves none of the others."""
    mine = tmp_path / "b"
    mine.write_text("mine")
    with pytest.raises(OutputError, match="File exists"):
        create({tmp_path / "a": b"1", mine: b"2", tmp_path / "c": b"3"})
    assert contents(tmp_path) == {"b": "mine"}
    create({tmp_path / "a": b"1"})
    assert contents(tmp_path) == {"a": "1", "b": "mine"}
