"""Work by several threads."""

from __future__ import annotations

import threading

import pytest

from estimator.processes import side_by_side


def test_answers_come_in_the_order_of_the_items(monkeypatch) -> None:
    """However long each takes: the first here ends only when the last has begun."""
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    last_begun = threading.Event()

    def work(item: int) -> int:
        if item == 1:
            last_begun.set()
        else:
            assert last_begun.wait(10)
        return 10 * item

    assert side_by_side(work, [0, 1]) == [0, 10]


def test_a_fault_comes_through() -> None:
    """As if the work had been done in turn."""
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda item: 1 / item, [1, 0])
