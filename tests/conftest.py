"""Logs that several tests share, and when slow tests run."""

from __future__ import annotations

import signal

import pytest

from estimator.surroundings import settle

# As the command has it, before NumPy is loaded.
settle()
# A shell that runs this in the background ignores Ctrl-C, and so would every command tried here.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
pytest.register_assert_rewrite("helpers")

from helpers.tanks import CASES, Case  # noqa: E402


def pytest_configure(config: pytest.Config) -> None:
    """Slow tests run only where the markers that are asked for speak of them."""
    asked = config.option.markexpr
    if "slow" not in asked:
        config.option.markexpr = f"({asked}) and not slow" if asked else "not slow"
    # Else the files of fewest tests, which are those that take longest, would be begun last.
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that take long are begun first, so that no process is left with one at the end."""
    long = {
        item.path
        for item in items
        if any(item.get_closest_marker(one) for one in ("sampler", "browser"))
    }
    items.sort(key=lambda item: item.path not in long)


@pytest.fixture(scope="session", params=list(CASES))
def case(request: pytest.FixtureRequest) -> Case:
    """One log of each layout."""
    return CASES[request.param]()


@pytest.fixture(scope="session")
def everything() -> Case:
    """The log that holds every kind of entry."""
    return CASES["everything"]()
