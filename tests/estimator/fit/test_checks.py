"""Every limit of the checks from both sides, with figures made for it."""

from __future__ import annotations

from datetime import datetime
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from estimator.fit import checks
from estimator.fit.checks import ReadingCheck, check_readings, diagnose, scatter_of
from estimator.fit.likelihood import MISREAD_CHANCE
from estimator.fit.schedule import build_schedule
from estimator.inputs.records import Reading
from helpers.tanks import example_log, example_tank

SPREAD = np.array([1.0, 4.0, 16.0, 64.0])


ENOUGH = (900.0, 900.0)


def diagnosed(
    monkeypatch, r_hat=(1.0, 1.0), bulk=ENOUGH, tail=(433.0, 777.0), divergences=0, draws=500
):
    """Two quantities of which ArviZ says so."""

    def ess(_, method):
        return {"x": np.array(bulk if method == "bulk" else tail)}

    fake = SimpleNamespace(rhat=lambda _: {"x": np.array(r_hat)}, ess=ess)
    monkeypatch.setattr(checks, "load_arviz", lambda: fake)
    made = np.random.default_rng(0).standard_normal((2, 4 * draws))
    return diagnose({"first": made[0], "second": made[1]}, 4, divergences)


@pytest.mark.parametrize(
    ("bulk", "quantity"),
    [
        ((400.0, 400.0), None),
        ((399.9, 5000.0), "first"),
        ((5000.0, 399.9), "second"),
        ((300.0, 200.0), "second"),
        ((np.nan, 900.0), "first"),
    ],
    ids=str,
)
def test_one_quantity_with_few_draws_is_enough_to_fail(monkeypatch, bulk, quantity) -> None:
    """All must have 400 effective draws; that most of them have is nothing to go by."""
    found = diagnosed(monkeypatch, bulk=bulk)
    named = [
        failure.values["quantity"] for failure in found.failures if failure.code == "fit_few_draws"
    ]
    assert named == ([] if quantity is None else [quantity])
    assert len(found.failures) == len(named)
    if not np.isnan(bulk).any():
        assert found.ess_bulk_min == min(bulk)
        assert found.worst == ("second" if bulk[1] < bulk[0] else "first")
    assert found.ess_tail_min == 433.0


@pytest.mark.parametrize(
    ("bulk", "tail", "quantity", "ess"),
    [
        (ENOUGH, (399.9, 900.0), "first", 399.9),
        (ENOUGH, (900.0, 399.9), "second", 399.9),
        ((390.0, 900.0), (900.0, 380.0), "second", 380.0),
        ((370.0, 900.0), (900.0, 380.0), "first", 370.0),
    ],
)
def test_the_ends_need_as_many_draws_as_the_middle(monkeypatch, bulk, tail, quantity, ess) -> None:
    """Ranges are told by their ends; of both kinds the fewest draws are named."""
    (failure,) = diagnosed(monkeypatch, bulk=bulk, tail=tail).failures
    assert failure.code == "fit_few_draws"
    assert (failure.values["quantity"], failure.values["ess"]) == (quantity, ess)


@pytest.mark.parametrize(
    ("r_hat", "quantity"),
    [
        ((1.01, 1.01), None),
        ((1.0101, 1.0), "first"),
        ((1.0, 1.0101), "second"),
        ((1.0, np.nan), "second"),
    ],
    ids=str,
)
def test_one_quantity_on_which_chains_disagree_is_enough_to_fail(
    monkeypatch, r_hat, quantity
) -> None:
    """R-hat is at most 1.01 for every one; a figure that cannot be had is no pass."""
    found = diagnosed(monkeypatch, r_hat=r_hat)
    named = [failure.values["quantity"] for failure in found.failures]
    assert named == ([] if quantity is None else [quantity])
    assert {failure.code for failure in found.failures} <= {"fit_chains_disagree"}
    if not np.isnan(r_hat).any():
        assert found.r_hat_max == max(r_hat)


@pytest.mark.parametrize(
    ("draws", "divergences", "fails"), [(500, 2, False), (500, 3, True), (250, 1, False)]
)
def test_one_divergence_in_a_thousand_is_the_most(monkeypatch, draws, divergences, fails) -> None:
    """Of all draws of all chains."""
    found = diagnosed(monkeypatch, divergences=divergences, draws=draws)
    assert [failure.code for failure in found.failures] == (["fit_divergent"] if fails else [])
    assert (found.divergences, found.chains, found.draws) == (divergences, 4, draws)


def test_all_that_fails_is_told(monkeypatch) -> None:
    """A keeper's helper sees every failure, not the first alone."""
    found = diagnosed(monkeypatch, (1.2, 1.0), (100.0, 900.0), divergences=9)
    codes = ["fit_chains_disagree", "fit_few_draws", "fit_divergent"]
    assert [failure.code for failure in found.failures] == codes


def check(value=2.9, expected=2.9, error=0.1, chance=0.9, place=0.5, surprise=0.0, **of):
    reading = Reading(
        2,
        datetime(2026, 3, 1),
        **{"parameter": "alkalinity", "sample": "tank", **of},
        of="",
        value=value,
        unit="dKH",
        kit="alk",
    )
    return ReadingCheck(reading, expected, error, chance, place, surprise)


@pytest.mark.parametrize(
    ("chance", "surprise", "odd"),
    [
        (0.5, 0.0, False),
        (0.499, 0.0, True),
        # Three predictive sds: −½ · 3².
        (0.9, -4.5, False),
        (0.9, -4.51, True),
        (0.9, np.nan, False),
        (0.4, np.nan, True),
    ],
)
def test_what_makes_a_reading_odd(chance, surprise, odd) -> None:
    """Likelier misread than not, or three sds from what all others say; either is enough."""
    assert check(chance=chance, surprise=surprise).is_odd is odd


def test_a_residual_is_in_kit_errors_with_its_sign() -> None:
    """A reading over what was expected is positive."""
    assert check(value=3.2, expected=2.9, error=0.1).residual == pytest.approx(3.0)
    assert check(value=2.7, expected=2.9, error=0.1).residual == pytest.approx(-2.0)


def test_scatter_counts_places_and_runs() -> None:
    """Ten places, the ends of the ranges included; runs of tank alkalinity only.

    Signs + + − − + − make 4 runs. Of 3 above and 3 below, 1 + 2·3·3/6 = 4 are expected, with
    variance 3·2/5 = 1.2; 99 of 100 orders give 4 ± 2.58 √1.2.
    """
    places = (0.05, 0.95, 0.25, 0.75, 0.5, 0.049, 0.951, 0.249, 0.751, 0.3)
    signs = (1, 1, -1, -1, 1, -1)
    made = [check(value=2.9 + 0.1 * sign, place=p) for sign, p in zip(signs, places, strict=False)]
    made += [check(value=9.0, place=p, sample="effluent") for p in places[6:8]]
    made += [check(value=9.0, place=p, parameter="calcium") for p in places[8:]]
    found = scatter_of(made)
    assert found.readings == 10
    assert found.share_50 == pytest.approx(0.4)
    assert found.share_90 == pytest.approx(0.8)
    assert found.runs == 4
    assert (found.runs_low, found.runs_high) == pytest.approx(
        (4 - 2.58 * 1.2**0.5, 4 + 2.58 * 1.2**0.5)
    )
    # Of ten fair coins at least 2 come up in 99 of 100 trials (P(≤ 1) = 0.0107), of ten chances of
    # 0.9 at least 6 (P(≤ 5) = 0.0016, P(≤ 6) = 0.0128).
    assert (found.least_50, found.least_90) == pytest.approx((0.1, 0.6))


def scatter(**changes):
    """One that passes by the least."""
    just = {"share_50": 0.4, "share_90": 0.8, "least_50": 0.4, "least_90": 0.8}
    runs = {"runs": 5, "runs_low": 5.0, "runs_high": 9.0}
    return checks.Scatter(readings=20, **(just | runs | changes))


def test_scatter_passes_where_all_of_it_does() -> None:
    """Too few inside either range or too few runs: each alone fails; many runs do not."""
    assert scatter().passes
    assert scatter(runs=50).passes
    assert not scatter(share_50=0.39).passes
    assert not scatter(share_90=0.79).passes
    assert not scatter(runs=4).passes


def test_readings_are_checked_against_their_own_kit(monkeypatch) -> None:
    """Two kits, one draw: place, error and chance of each worked from its own spread.

    An ordinary error has variance r² + step²/12; the others are 4, 16 and 64 times as wide.
    """
    tank = example_tank()
    readings = [
        (0.5, "alkalinity", "tank", "alk", 3.1),
        (1.5, "alkalinity", "tank", "alk", 2.9),
        (2.5, "calcium", "tank", "ca", 10.0),
    ]
    made = build_schedule(example_log(readings), tank)
    natural = np.ones((32, made.parameters))
    first = made.shape.first_repeatability
    repeat = dict(zip((kit.name for kit in made.kits), (0.08, 0.3), strict=True))
    for j, kit in enumerate(made.kits):
        natural[:, first + j] = repeat[kit.name]
    expected = np.tile([2.9, 2.85, 10.4], (32, 1))
    # Leaving one out needs draws that differ.
    monkeypatch.setattr(checks, "_left_out", lambda log_density, _: log_density.mean(axis=0))
    found, _ = check_readings(made, natural, expected, 4)
    for one, mean in zip(found, (2.9, 2.85, 10.4), strict=True):
        kit = tank.kits[one.reading.kit]
        sd = np.sqrt(repeat[kit.name] ** 2 + kit.step**2 / 12)
        assert one.expected == pytest.approx(mean)
        assert one.error_sd == pytest.approx(sd)
        z = (one.reading.value - mean) / (sd * SPREAD)
        density = MISREAD_CHANCE * norm.pdf(z) / SPREAD
        assert one.chance_ordinary == pytest.approx(density[0] / density.sum(), rel=1e-6)
        # Against the highest that a predictive density can be: that of a reading as expected.
        highest = np.log(np.sum(MISREAD_CHANCE / SPREAD))
        log_ratio = np.log(np.exp(-0.5 * z**2) @ (MISREAD_CHANCE / SPREAD)) - highest
        assert one.surprise == pytest.approx(log_ratio)
        assert one.place == pytest.approx(float(MISREAD_CHANCE @ norm.cdf(z)), rel=1e-6)
    assert [one.place > 0.5 for one in found] == [True, True, False]
    assert found[0].residual > 1 > found[1].residual > 0 > found[2].residual
