"""Every broken file gets its own message, and nothing on the disk changes."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from helpers.catalogue import CASES, HEADER, LOG, TANK
from helpers.command import run
from helpers.outputs import a_page, a_twin

FORMER = {"log-report.html": a_page().encode(), "log-report.json": a_twin().encode()}


def in_bytes(text):
    return text if isinstance(text, bytes) else text.encode("utf-8")


def contents():
    return {path.name: path.read_bytes() for path in Path().iterdir()}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty current folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_catalogue_is_large_and_its_names_differ():
    """A case that was lost in an edit would be missed here."""
    names = [case.name for case in CASES]
    assert len(names) == len(set(names)) >= 60


def test_the_unbroken_pair_is_good(folder, no_fit):
    """Each case differs by its one slip from files without a fault."""
    Path("log.csv").write_text(LOG)
    Path("tank.toml").write_text(TANK)
    assert run("check", "log.csv", "--tank", "tank.toml").exit_code == 0


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
@pytest.mark.parametrize("command", ["check", "report"])
def test_broken_input_is_refused_with_its_message(folder, no_fit, case, command):
    """File, row, column, what was found and the rule; code 2, at once, and nothing written."""
    Path("log.csv").write_bytes(in_bytes(case.log))
    Path("tank.toml").write_bytes(in_bytes(case.tank))
    for name, data in FORMER.items():
        Path(name).write_bytes(data)
    before = contents()
    began = time.perf_counter()
    result = run(command, "log.csv", "--tank", "tank.toml")
    # Two seconds are promised; a busy machine gets some more.
    assert time.perf_counter() - began < 5
    assert result.exit_code == 2, result.output
    found = f" found {case.found!r}; " if case.found else ""
    fitting = [line for line in result.output.splitlines() if line.startswith(case.where)]
    assert any(found in line and case.rule in line for line in fitting), result.output
    assert contents() == before


def test_a_broken_tank_and_a_broken_log_are_told_in_one_go(folder, no_fit):
    """Many long faults in both files still fit one screen, and the rest are counted."""
    header = HEADER
    Path("log.csv").write_text(header + "2025-03-04,pond,,8,,,\n" * 500)
    Path("tank.toml").write_text("".join(f"[kits.k{i}]\nparameter = 'x'\n" for i in range(60)))
    result = run("check", "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 2
    assert result.output.splitlines()[-1].endswith("more; mend these first")


@pytest.mark.parametrize("command", ["check", "report"])
def test_a_file_of_50_mb_is_refused_unread(folder, no_fit, command):
    """The size alone decides."""
    Path("tank.toml").write_text(TANK)
    with Path("log.csv").open("wb") as file:
        file.truncate(50_000_000)
    result = run(command, "log.csv", "--tank", "tank.toml")
    assert result.exit_code == 2
    assert "log.csv: found '50.0 MB'; a file of this kind may hold at most 20 MB" in result.output
