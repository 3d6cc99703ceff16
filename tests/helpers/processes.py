"""What a run has started and what of it is left."""

from __future__ import annotations

import time
from pathlib import Path


def members(session: int) -> list[int]:
    """Processes of a session that are still alive."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            stat = (entry / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(stat[3]) == session and stat[0] != "Z":
            found.append(int(entry.name))
    return found


def gone(session: int, seconds: float = 10.0) -> bool:
    """Whether all processes of a session end within some time."""
    deadline = time.monotonic() + seconds
    while members(session) and time.monotonic() < deadline:
        time.sleep(0.02)
    return not members(session)
