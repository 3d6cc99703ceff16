"""The demo's two files in a folder of the keeper's."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from reports.output import create, destination
from reports.recognise import holds


@dataclass(frozen=True)
class PlacedDemo:
    """Where the demo stands.

    Attributes:
        log, tank, page: the two files, and the report that is to be made of them.
        changed: which of the files hold something else than the demo's, and were left alone.
    """

    log: Path
    tank: Path
    page: Path
    changed: tuple[Path, ...]


def place_demo(folder: Path) -> PlacedDemo:
    """Write the demo's log and tank file where they are missing; whatever stands there stays.

    Raises:
        OutputError: the report cannot be written there (nothing is then), or a file cannot.
    """
    from estimator.synthetic.demo_case import LOG_NAME, TANK_NAME, make_demo

    log, tank = folder / LOG_NAME, folder / TANK_NAME
    page = folder / f"{log.stem}-report.html"
    destination(page, (log, tank))
    demo = make_demo()
    texts = {log: demo.log_csv.encode(), tank: demo.tank_toml.encode()}
    create({path: data for path, data in texts.items() if not path.exists()})
    changed = tuple(path for path, data in texts.items() if not holds(path, data))
    return PlacedDemo(log, tank, page, changed)
