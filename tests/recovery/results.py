"""What every study writes beside its figures, so that it can be run again."""

from __future__ import annotations

import json
import platform
import sys
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

_Found = TypeVar("_Found")


def in_turn(jobs: int, work: Callable[[int], _Found], count: int) -> Iterator[_Found]:
    """What `work` makes of 0 … count − 1, in order; in this process where `jobs` is 1."""
    if jobs == 1:
        yield from map(work, range(count))
        return
    # Not "fork": a process that runs tests has threads.
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield from pool.map(work, range(count))


def write_results(path: Path | None, results: Mapping[str, Any]) -> None:
    """The figures with the command, the date and the versions; nothing where there is no path."""
    if path is None:
        return
    how = {
        "command": " ".join(["python", "tests/recovery/" + Path(sys.argv[0]).name, *sys.argv[1:]]),
        "date": date.today().isoformat(),
        "python": platform.python_version(),
        "pymc": version("pymc"),
    }
    path.write_text(json.dumps({**how, **results}, indent=1) + "\n")
