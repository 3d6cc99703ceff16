"""How long is drawn: round by round, until the checks pass."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from estimator.fit import fitting, sampling
from estimator.fit.problem import pose
from estimator.fit.sampling import CHAINS
from estimator.fit.trace import Trace
from estimator.remark import Remark
from helpers.fits import GOOD
from helpers.tanks import example_log, example_tank

FAILED = replace(GOOD, failures=(Remark("fit_few_draws"),))


@pytest.fixture
def problem():
    """Three readings."""
    return pose(
        example_log([(t, "alkalinity", "tank", "alk", 2.8) for t in (0.5, 4.5, 8.5)]),
        example_tank(reactor=None),
    )


def drawn(problem, monkeypatch, passes_from: int):
    """A fit whose checks pass from so many draws a chain on, and how each round was begun."""
    begun = []

    class Chains:
        def __init__(self, _):
            pass

        def draw(self, seed, draws, *, resume=None, **_):
            begun.append((seed.spawn_key, draws, resume))
            z = np.zeros((CHAINS, draws, problem.priors.size))
            whole = np.zeros((CHAINS, draws), dtype=int)
            return Trace(z, z, np.zeros((CHAINS, draws, 3), dtype=int), whole, 0, 0, 1.0)

    def collect(_, trace, *__):
        enough = trace.z.shape[1] >= passes_from
        return SimpleNamespace(diagnostics=GOOD if enough else FAILED)

    monkeypatch.setattr(sampling, "Sampler", Chains)
    monkeypatch.setattr(fitting, "collect", collect)
    seeds = np.random.SeedSequence(1).spawn(3)
    return fitting.fit(problem, *seeds), begun


@pytest.mark.parametrize(
    ("passes_from", "rounds", "sound"),
    [
        (1, [340], True),
        (340, [340], True),
        (341, [340, 113], True),
        (454, [340, 113, 151], True),
        (1908, [340, 113, 151, 201, 268, 358, 477], True),
        (1909, [340, 113, 151, 201, 268, 358, 477], False),
    ],
)
def test_drawn_in_whole_rounds_until_the_checks_pass(
    problem, monkeypatch, passes_from, rounds, sound
) -> None:
    """No round more than needed, each a third of what there is, and an end where none is enough.

    Each goes on from all before it, by a seed of its own, and all draws count.
    """
    found, begun = drawn(problem, monkeypatch, passes_from)
    assert [draws for _, draws, _ in begun] == rounds
    assert found.sound == sound
    assert found.trace.z.shape[1] == sum(rounds)
    assert len({seed for seed, *_ in begun}) == len(rounds)
    so_far = [0 if resume is None else resume.z.shape[1] for *_, resume in begun]
    assert so_far == [sum(rounds[:k]) for k in range(len(rounds))]


def test_a_chance_of_one_half_errs_by_one_and_a_half_in_a_hundred_at_most() -> None:
    """With as many draws as the first round has, each counting for one."""
    assert np.sqrt(0.25 / (CHAINS * fitting.FIRST_DRAWS)) < 0.015
