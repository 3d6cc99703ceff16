"""How the words of a remark are made from its values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from estimator.inputs.tank import Tank


def unticked(value: Any) -> Any:
    """Names without backticks, which mark code in the words about them; all else as it is."""
    if isinstance(value, tuple):
        return tuple(unticked(one) for one in value)
    return value.replace("`", "'") if isinstance(value, str) and "`" in value else value


Values = Mapping[str, Any]
Words = str | Callable[[Values, Tank], str]
"""A template for `str.format`, or a function of the values and of the tank (for its units)."""
