"""The sampler in a process of its own: the same draws, its faults told here, and its end."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time

import numpy as np
import pytest

from estimator.errors import FitError
from estimator.fit import sampling
from estimator.fit.apart import Apart, sampler_apart
from estimator.fit.problem import pose
from helpers.tanks import example_log, example_tank

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no fork")
LOG = example_log([(0.5 + 2 * j, "alkalinity", "tank", "alk", 3.0) for j in range(8)], [])


@pytest.fixture(autouse=True)
def two_processors(monkeypatch):
    """With one all stays in one process."""
    monkeypatch.setattr(os, "cpu_count", lambda: 2)


class Stub:
    """In the place of the sampler, which the process finds as it was when it was started."""

    def __init__(self, problem):
        self.readings = len(problem.schedule.readings)

    def draw(self, seed, draws, *, resume, cores, progress):
        progress(draws, 2 * draws)
        if cores == 0:
            raise FitError("no start")
        return [self.readings, draws, cores]


def posed(apart: Apart) -> Apart:
    apart.pose(LOG, example_tank())
    return apart


@pytest.mark.sampler
def test_draws_are_those_of_a_sampler_in_this_process():
    """To the last bit, the first and those that go on from there."""
    here = sampling.Sampler(pose(LOG, example_tank()))
    first, second = np.random.SeedSequence(3).spawn(2)
    with sampler_apart() as apart:
        assert apart is not None
        trace = posed(apart).draw(first, 20)
        more = apart.draw(second, 10, resume=trace)
    expected = here.draw(first, 20, cores=1)
    assert np.array_equal(trace.z, expected.z)
    assert np.array_equal(trace.misread, expected.misread)
    assert np.array_equal(more.z, here.draw(second, 10, resume=expected, cores=1).z)


def test_it_is_told_of_and_waited_for(monkeypatch):
    """The log that was posed, the part done, and, once, what is to be done meanwhile."""
    monkeypatch.setattr(sampling, "Sampler", Stub)
    told, done = [], []
    with sampler_apart() as apart:
        posed(apart).meanwhile = lambda: done.append("once")
        for _ in range(2):
            found = apart.draw(None, 7, cores=2, progress=lambda *part: told.append(part))
            assert found == [8, 7, 2]
    assert (told, done) == ([(7, 14)] * 2, ["once"])


def test_a_fault_of_the_sampler_is_one_of_this_process(monkeypatch, capfd):
    """No traceback of another process, but the fault itself, to be told as any other."""
    monkeypatch.setattr(sampling, "Sampler", Stub)
    with sampler_apart() as apart, pytest.raises(FitError, match="no start"):
        posed(apart).draw(None, 7, cores=0)
    assert capfd.readouterr() == ("", "")


def test_a_process_that_was_killed_is_waited_for_no_longer(monkeypatch):
    """Out of memory, say: an error, and not a wait for ever."""
    monkeypatch.setattr(sampling, "Sampler", Stub)
    with sampler_apart() as apart:
        multiprocessing.active_children()[0].kill()
        with pytest.raises((EOFError, OSError)):
            posed(apart).draw(None, 7, cores=2)


def test_a_fault_beside_it_ends_it_at_once():
    """A run that has failed waits for nobody, and its own fault is what is told."""
    began = time.monotonic()
    with pytest.raises(KeyError), sampler_apart():
        raise KeyError
    assert time.monotonic() - began < 10
    assert multiprocessing.active_children() == []


@pytest.mark.parametrize("cores", [None, 1])
def test_one_processor_has_one_process(monkeypatch, cores):
    """Whether the machine has no more, or no more is to be used."""
    if cores is None:
        monkeypatch.setattr(os, "cpu_count", lambda: 1)
    with sampler_apart(cores) as apart:
        assert apart is None
        assert multiprocessing.active_children() == []


def test_a_sampler_that_has_hardly_begun_ends_at_once():
    """As where the log is at fault: in its first moments the process still has the handlers of this
    one, which a program that tidies up has set, and heeds no polite word."""
    former = signal.signal(signal.SIGTERM, lambda *_: None)
    try:
        begun = time.perf_counter()
        for _ in range(10):
            with sampler_apart() as apart:
                process = apart._process
            assert not process.is_alive()
        assert time.perf_counter() - begun < 10.0
    finally:
        signal.signal(signal.SIGTERM, former)
