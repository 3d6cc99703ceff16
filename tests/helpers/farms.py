"""Files of small tanks for a folder: what is quick to fit, and what cannot be read."""

from __future__ import annotations

from helpers.tanks import TANK_FILE

TANK = TANK_FILE.split("[water")[0]
LOG = """\
time,entry,of,value
2026-03-01 08:00,dose_rate,soda,150
2026-03-01 18:00,alkalinity,tank,8.4
2026-03-03 18:00,alkalinity,tank,8.1
2026-03-05 18:00,alkalinity,tank,8.2
2026-03-08 18:00,alkalinity,tank,8.3
2026-03-10 18:00,alkalinity,tank,8.1
2026-03-12 18:00,alkalinity,tank,8.0
"""
BAD_LOG = "time,entry,value\nyesterday,alkalinity,8\n"
