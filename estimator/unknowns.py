"""What the needed flow hangs on: one name for each thing that is unknown."""

from __future__ import annotations

from enum import StrEnum


class Unknown(StrEnum):
    """A thing that readings could tell; its words and its remedy stand in `reports.words`."""

    UPTAKE = "uptake"
    EFFLUENT = "effluent strength"
    VOLUME = "water volume"
    FLOW_RESPONSE = "flow response"
    KIT = "kit calibration"
    LIGHT = "light share"
    DRIFT = "drift of uptake"
    CALCIUM = "calcium uptake"
