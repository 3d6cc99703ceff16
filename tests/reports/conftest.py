"""Every kind of report, without a fit."""

from __future__ import annotations

import pytest

from estimator.study import Study
from helpers.studies import VARIANTS, build_study


@pytest.fixture(params=VARIANTS)
def study(request: pytest.FixtureRequest) -> Study:
    """Each kind of report in turn."""
    return build_study(request.param)
