"""What an alarm may be about; apart from `alarms`, since an index of many tanks needs no fit."""

from __future__ import annotations

GRAVITY = (
    *("strength", "chamber ph", "effluent", "volume", "additions", "fit", "uptake", "kit"),
    *("salinity", "log age"),
)
"""What harms the animals soonest first; ties go by chance."""
