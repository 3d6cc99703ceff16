"""Which files this program wrote: known by what they hold, never by their names.

Nothing else is ever written over. A link counts as the file that it leads to.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

GENERATOR = '<meta name="generator" content="uptake">'
"""Stands in the head of every page."""

_HEAD_BYTES = 1000
_LARGEST_TWIN_BYTES = 200_000_000
_TWIN_KEYS = ({"inputs", "status", "versions"}, {"counts", "seed", "tanks"})
"""Beside `schema_version`: of a tank's twin, and of that of an index."""


def is_page(path: Path) -> bool:
    """Whether the file at `path` is a report or an index. Raises: OSError, it cannot be read."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    return head.lstrip().lower().startswith(b"<!doctype html>") and GENERATOR.encode() in head


def is_twin(path: Path) -> bool:
    """Whether the file at `path` is a twin. Raises: OSError, it cannot be read."""
    with path.open("rb") as file:
        # A file of another kind is not read in full.
        if os.fstat(file.fileno()).st_size > _LARGEST_TWIN_BYTES or file.read(1) != b"{":
            return False
        file.seek(0)
        data = file.read()
    try:
        held = json.loads(data)
    except (ValueError, RecursionError):
        return False
    return "schema_version" in held and any(keys <= held.keys() for keys in _TWIN_KEYS)


def holds(path: Path, data: bytes) -> bool:
    """Whether `path` is an ordinary file of exactly these bytes."""
    try:
        return path.is_file() and path.read_bytes() == data
    except OSError:
        return False
