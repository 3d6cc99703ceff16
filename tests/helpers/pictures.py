"""Figures are pure functions of arrays, and most of the time a page takes: each is drawn once."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from types import FunctionType, SimpleNamespace
from typing import Any

import pytest
from matplotlib.figure import Figure

from reports.figures import captions, drawing


def _once(draw: Callable[..., Any]) -> Callable[..., Any]:
    kept: dict[Any, tuple[Any, Any]] = {}

    @wraps(draw)
    def drawn(*given: Any, **named: Any) -> Any:
        # A figure is known by itself, and kept, so that its id is not used again; arrays by value.
        if given and isinstance(given[0], Figure):
            key: Any = (id(given[0]), given[1:])
        else:
            key = pickle.dumps((given, named))
        if key not in kept:
            kept[key] = (draw(*given, **named), given)
        return kept[key][0]

    return drawn


@contextmanager
def drawn_once() -> Iterator[None]:
    """Pages made meanwhile share the pictures that are drawn from the same arrays."""
    once = {
        name: _once(value) if isinstance(value, FunctionType) else value
        for name, value in vars(drawing).items()
    }
    with pytest.MonkeyPatch.context() as patch:
        for name, value in list(vars(captions).items()):
            if value is drawing:
                patch.setattr(captions, name, SimpleNamespace(**once))
            elif name == "svg":
                patch.setattr(captions, name, _once(value))
        yield
