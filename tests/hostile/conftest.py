"""The real command, run in this process, and what must hold for whatever it prints."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner, Result

from reports.cli import main

COLUMNS, LINES = 120, 24
"""One screen."""


def load(path: Path) -> ModuleType:
    """The module at `path`: test folders are no packages."""
    spec = importlib.util.spec_from_file_location(f"hostile_{path.stem}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def check_screen(result: Result) -> None:
    """No traceback, no raw control character, and all of it on one screen."""
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    lines = result.output.split("\n")
    assert all(line.isprintable() for line in lines), repr(result.output)
    assert sum(-(-max(len(line), 1) // COLUMNS) for line in lines[:-1]) <= LINES, result.output


@pytest.fixture
def run() -> Callable[..., Result]:
    """`run(*arguments)`: the command; its output is checked on the way."""

    def call(*arguments: str) -> Result:
        result = CliRunner().invoke(main, list(arguments))
        check_screen(result)
        return result

    return call


@pytest.fixture
def no_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fit would be a mistake. The stand-in also spares loading the sampler."""

    def fail(*_: object, **__: object) -> None:
        pytest.fail("the fit was started")

    stand_in = ModuleType("estimator.study")
    stand_in.run_study = fail  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "estimator.study", stand_in)


@pytest.fixture(scope="session")
def studies() -> ModuleType:
    """The made-up studies that the tests of the reports use."""
    return load(Path(__file__).parents[1] / "reports" / "conftest.py")
