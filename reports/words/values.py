"""How the words of a remark are made from its values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from estimator.inputs.tank import Tank

Values = Mapping[str, Any]
Words = str | Callable[[Values, Tank], str]
"""A template for `str.format`, or a function of the values and of the tank (for its units)."""
