"""What is to be told, as a code with its numbers: the words stand in `reports.words`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Remark:
    """A reason, a note or a cause.

    Attributes:
        code: what is meant; one entry in the tables of `reports.words`.
        values: its numbers and names, canonical units, by names that carry the unit.
    """

    code: str
    values: Mapping[str, Any] = field(default_factory=dict)
