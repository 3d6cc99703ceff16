"""Figures are pure functions of arrays, and most of the time a page takes: each is drawn once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from functools import wraps
from types import FunctionType, SimpleNamespace
from typing import Any

import numpy as np
import pytest

from reports.figures import captions, drawing


def _known_by(value: Any) -> Any:
    """What tells a value from others: a figure by itself, arrays and what holds them by value."""
    if isinstance(value, np.ndarray):
        return value.shape, value.tobytes()
    if isinstance(value, list | tuple):
        return tuple(map(_known_by, value))
    if isinstance(value, dict):
        return tuple((key, _known_by(part)) for key, part in value.items())
    if is_dataclass(value):
        return tuple(_known_by(getattr(value, field.name)) for field in fields(value))
    return value


def _once(draw: Callable[..., Any]) -> Callable[..., Any]:
    kept: dict[Any, Any] = {}

    @wraps(draw)
    def drawn(*given: Any, **named: Any) -> Any:
        key = _known_by((given, named))
        if key not in kept:
            kept[key] = draw(*given, **named)
        return kept[key]

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
