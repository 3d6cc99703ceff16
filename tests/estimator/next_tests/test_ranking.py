"""Candidates in their order, of worths that are known."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from estimator.next_tests.candidates import Candidate
from estimator.next_tests.ranking import _tied, rank
from estimator.next_tests.worth import Worth

WIDTHS = {"month": 0.5, "week": 0.5, "once": 0.9, "later": 0.95}
MINUTES = {"month": 60.0, "week": 42.0, "once": 6.0, "later": 6.0}


class Known:
    """A prospect in which each candidate has its width."""

    def rows(self, readings: tuple[str, ...], repeats: int) -> tuple[str, ...]:
        return readings

    def worth(self, rows: tuple[str, ...], volume_sd: float | None) -> Worth:
        (key,) = rows
        spread = np.linspace(-0.1, 0.1, 101) * (-1 if key in ("month", "later") else 1)
        return Worth(WIDTHS[key] + spread, 0.01, 0.001, 0.7, 90.0)


def test_the_narrowest_is_first_and_of_two_alike_the_quicker() -> None:
    """Widths are told in mL/h of a range of 24 L/day, which is 1000; what differs by nothing is
    tied, what differs by ten errors of its mean, or by four, is not."""
    given = [Candidate(key, cast(Any, (key,)), 1, minutes=MINUTES[key]) for key in WIDTHS]
    flows = np.linspace(50.0 - 24 / 1.8, 50.0 + 24 / 1.8, 1001)  # 5 to 95 %: 24 L/day
    fitted = SimpleNamespace(posterior=SimpleNamespace(needed_flow_l_d=flows))
    found = rank(cast(Any, fitted), given, cast(Any, {(): Known()}))
    assert [one.candidate.key for one in found] == ["week", "month", "once", "later"]
    assert [one.tied for one in found] == [False, True, False, False]
    assert [one.expected_width_ml_h for one in found] == pytest.approx([500.0, 500.0, 900.0, 950.0])
    assert found[0].width_range_ml_h == pytest.approx((410.0, 590.0))
    assert [one.narrowing for one in found] == pytest.approx([0.5, 0.5, 0.1, 0.05])


def test_tests_that_show_the_same_are_tied() -> None:
    """A difference of nothing has no error either."""
    one = Worth(np.full(101, 12.0), 0.01, 0.001, 0.7, 90.0)
    assert _tied(one, one)
