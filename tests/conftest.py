"""Logs that several tests share."""

from __future__ import annotations

import pytest

pytest.register_assert_rewrite("helpers")

from helpers.tanks import CASES, Case  # noqa: E402


@pytest.fixture(scope="session", params=list(CASES))
def case(request: pytest.FixtureRequest) -> Case:
    """One log of each layout."""
    return CASES[request.param]()


@pytest.fixture(scope="session")
def everything() -> Case:
    """The log that holds every kind of entry."""
    return CASES["everything"]()
