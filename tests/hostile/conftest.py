"""A stand-in where no fit may be started."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from types import ModuleType

import pytest

from helpers.pictures import drawn_once


@pytest.fixture(scope="session", autouse=True)
def pictures() -> Iterator[None]:
    """No picture is drawn twice."""
    with drawn_once():
        yield


@pytest.fixture
def no_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fit would be a mistake. The stand-in also spares loading the sampler."""

    def fail(*_: object, **__: object) -> None:
        pytest.fail("the fit was started")

    stand_in = ModuleType("estimator.pipeline")
    stand_in.run_study = fail  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "estimator.pipeline", stand_in)
