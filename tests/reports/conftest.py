"""Every kind of report, without a fit."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from estimator.study import Study
from helpers.pictures import drawn_once
from helpers.studies import VARIANTS, build_study


@pytest.fixture(scope="session", autouse=True)
def pictures() -> Iterator[None]:
    """No picture is drawn twice."""
    with drawn_once():
        yield


@pytest.fixture(params=VARIANTS)
def study(request: pytest.FixtureRequest) -> Study:
    """Each kind of report in turn."""
    return build_study(request.param)
