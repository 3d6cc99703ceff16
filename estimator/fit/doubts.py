"""What in the log cannot be right, and which figures it spoils."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Doubt:
    """One thing in the log or the tank file that may not be so.

    Attributes:
        about: "additions", "strength", "volume" or "kit".
        code: what is doubted; "alarm_" and the code stand in `reports.words.alarms`:
            "additions_up" (something was added that is not logged) and "additions_down" (something
            logged does not arrive), "level_impossible", "strength_wrong", "volume_wrong",
            "kit_scatter".
        chance: that it is not so.
        since: from which day; None where it holds for the whole log or cannot be said.
        size: draws (s,), if so, or None. Additions: meq/L/day or mmol/L/day; a strength: the true
            one over the stated; a volume: its departure over the stated; a kit: scatter over its
            step.
        values: names and numbers for the words, canonical units; `of` names what it is of, a
            parameter, a solution or a kit.
    """

    about: str
    code: str
    chance: float
    since: date | None = None
    size: np.ndarray | None = None
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Doubts:
    """All doubts.

    Attributes:
        found: each doubt, however small its chance.
        spoiled: "alkalinity", "calcium" or both: parameters whose figures must not be shown.
    """

    found: tuple[Doubt, ...] = ()
    spoiled: frozenset[str] = frozenset()
