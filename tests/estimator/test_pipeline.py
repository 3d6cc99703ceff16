"""The helper process beside the fit: what it does, and what becomes of it."""

from __future__ import annotations

import multiprocessing
import os
import time
from pathlib import Path

import pytest

from estimator import pipeline


@pytest.fixture(autouse=True)
def two_processors(monkeypatch):
    """With one there is no helper."""
    monkeypatch.setattr(os, "cpu_count", lambda: 2)


def note(path: Path) -> None:
    """Write down which process came here."""
    with path.open("a") as file:
        file.write(f"{os.getpid()}\n")


def note_and_fail_elsewhere(path: Path, here: int) -> None:
    note(path)
    if os.getpid() != here:
        raise ZeroDivisionError


def note_and_fail(path: Path) -> None:
    note(path)
    raise ZeroDivisionError("of the work")


def wait_long() -> None:
    time.sleep(60)


def processes(path):
    return [int(line) for line in path.read_text().split()]


def test_the_helper_works_in_a_process_of_its_own(tmp_path):
    """It is done when the block is left, and nothing is done twice."""
    with pipeline._beside(None, note, tmp_path / "seen"):
        pass
    assert len(processes(tmp_path / "seen")) == 1
    assert processes(tmp_path / "seen") != [os.getpid()]


def test_one_process_has_no_helper(tmp_path):
    """What it would have compiled is compiled where it is needed."""
    with pipeline._beside(1, note, tmp_path / "seen"):
        assert multiprocessing.active_children() == []
    assert not (tmp_path / "seen").exists()


def test_what_the_helper_could_not_do_is_done_here(tmp_path, capfd):
    """Its exit code is looked at; a helper that was killed, out of memory say, costs time alone."""
    with pipeline._beside(None, note_and_fail_elsewhere, tmp_path / "seen", os.getpid()):
        pass
    first, second = processes(tmp_path / "seen")
    assert (first != os.getpid(), second) == (True, os.getpid())
    assert capfd.readouterr() == ("", "")


def test_a_fault_of_the_helper_is_one_of_the_program(tmp_path, capfd):
    """No traceback of another process, but the fault itself, to be told as any other."""
    with (
        pytest.raises(ZeroDivisionError, match="of the work"),
        pipeline._beside(None, note_and_fail, tmp_path / "seen"),
    ):
        pass
    assert capfd.readouterr() == ("", "")


def test_a_fault_beside_the_helper_ends_it_at_once():
    """A run that has failed waits for nobody, and its own fault is what is told."""
    began = time.monotonic()
    with pytest.raises(KeyError), pipeline._beside(None, wait_long):
        raise KeyError
    assert time.monotonic() - began < 10
    assert multiprocessing.active_children() == []
