"""Whether two revisions write the same reports: HTML and JSON of a set of logs, byte for byte.

    python tests/guard/same_bytes.py BASE [--keep DIR] [--log NAME]

runs the logs of `LOGS` at revision BASE and in this working tree, in the environment that runs this
script, and compares every file. What it made at BASE is kept in DIR (default: `.guard` here) and
used again. For every twin that differs it names the keys and the largest relative change of a
number; for every page, whether it differs beyond the twin's numbers can be seen by opening both.

Exit codes: 0 the same bytes, 1 not, 2 a revision could not be run.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
DEMO = ROOT / "demo"
CONTINUE = (0, 2, 3)
"""Exit codes of a folder in which some tank has no setting, or could not be studied."""

Row = dict[str, str]
LogMaker = Callable[[], tuple[str, str]]
"""Gives the log's and the tank file's text."""


def _demo() -> tuple[list[Row], str]:
    text = (DEMO / "nursery-log.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text))), (DEMO / "nursery-tank.toml").read_text("utf-8")


def _csv(rows: list[Row]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _without(toml: str, *tables: str) -> str:
    """The tank file without some tables."""
    for table in tables:
        toml = re.sub(rf"\[{re.escape(table)}\]\n(?:[^\[\n].*\n|\n)*", "", toml)
    return toml


def _whole() -> tuple[str, str]:
    rows, toml = _demo()
    return _csv(rows), toml


def _until(day: str, *gone: str) -> LogMaker:
    """The demo up to a date, some tables of its tank file taken out."""

    def make() -> tuple[str, str]:
        rows, toml = _demo()
        return _csv([row for row in rows if row["time"] < day]), _without(toml, *gone)

    return make


def _alkalinity_only() -> tuple[str, str]:
    rows, toml = _demo()
    kept = [
        row
        for row in rows
        if row["entry"] not in ("calcium", "magnesium") and row["of"] != "chloride"
    ]
    tables = ("targets.calcium", "kits.ca-drops", "kits.mg-drops", "solutions.chloride")
    return _csv(kept), _without(toml, *tables)


def _flow_not_logged() -> tuple[str, str]:
    rows, toml = _demo()
    return _csv([row for row in rows if row["entry"] != "flow"]), toml


def _failing() -> tuple[str, str]:
    return (HERE / "failing.csv").read_text("utf-8"), (HERE / "failing.toml").read_text("utf-8")


LOGS: dict[str, LogMaker] = {
    "demo": _whole,
    "planned": _until("2026-04-24", "reactor"),
    "hand-over": _until("2026-04-25"),
    "under-way": _until("2026-05-02"),
    "alkalinity-only": _alkalinity_only,
    "withheld": _flow_not_logged,
    "failing": _failing,
}
"""A running reactor; one that is planned; a hand-over; one under way; alkalinity alone; a setting
withheld; a fit that fails its checks."""


def run(code: Path, out: Path, names: list[str]) -> None:
    """Report on the logs with the packages that stand in `code`.

    Raises:
        SystemExit: the program could not be run.
    """
    with tempfile.TemporaryDirectory() as folder:
        logs = Path(folder)
        for name in names:
            log, tank = LOGS[name]()
            (logs / f"{name}.csv").write_text(log, encoding="utf-8")
            (logs / f"{name}.toml").write_text(tank, encoding="utf-8")
        command = "from reports.cli import main; main()"
        arguments = ["report", str(logs), "--out", str(out)]
        done = subprocess.run(
            [sys.executable, "-c", command, *arguments],
            cwd=code,
            env={**os.environ, "PYTHONPATH": str(code)},
            check=False,
        )
    if done.returncode not in CONTINUE:
        print(f"{code}: exit code {done.returncode}", file=sys.stderr)
        sys.exit(2)


def at_base(revision: str, keep: Path, names: list[str]) -> Path:
    """Reports made at a revision, from a checkout of its own or from an earlier run."""
    found = subprocess.run(
        ["git", "rev-parse", "--short", revision],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    )
    out = keep / f"{found.stdout.strip()}-py{sys.version_info.major}{sys.version_info.minor}"
    missing = [name for name in names if not (out / f"{name}-report.json").exists()]
    if missing:
        with tempfile.TemporaryDirectory() as folder:
            code = Path(folder) / "code"
            subprocess.run(
                ["git", "worktree", "add", "--detach", "-q", str(code), revision],
                cwd=ROOT,
                check=True,
            )
            try:
                run(code, out, missing)
            finally:
                subprocess.run(["git", "worktree", "remove", "--force", str(code)], cwd=ROOT)
    return out


def differences(before: Any, after: Any, path: str = "") -> Iterator[tuple[str, float]]:
    """(JSON pointer, relative change) of all that differs; infinite where it is no number."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in sorted(before.keys() | after.keys()):
            if key in before and key in after:
                yield from differences(before[key], after[key], f"{path}/{key}")
            else:
                yield f"{path}/{key} ({'gone' if key in before else 'new'})", math.inf
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for i, (one, other) in enumerate(zip(before, after, strict=True)):
            yield from differences(one, other, f"{path}/{i}")
    elif before != after:
        numbers = all(type(x) in (int, float) for x in (before, after))
        change = abs(after - before) / max(abs(before), 1e-12) if numbers else math.inf
        yield path, change


def compare(before: Path, after: Path, names: list[str]) -> bool:
    """Print what differs between two folders of reports; True where nothing does."""
    same = True
    for name in names:
        for suffix in ("json", "html"):
            file = f"{name}-report.{suffix}"
            old, new = (before / file).read_bytes(), (after / file).read_bytes()
            if old == new:
                print(f"{file}: the same {len(new)} bytes")
                continue
            same = False
            print(
                f"{file}: DIFFERS, {len(old)} and {len(new)} bytes; {before / file} {after / file}"
            )
            if suffix == "json":
                found = list(differences(json.loads(old), json.loads(new)))
                for path, change in sorted(found, key=lambda pair: -pair[1])[:12]:
                    print(f"    {path}: {change:.2g}")
                print(f"    {len(found)} places in all")
    return same


def main() -> None:
    """Run and compare."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("base", help="revision to compare with")
    parser.add_argument("--keep", type=Path, default=ROOT / ".guard", help="folder of reports")
    parser.add_argument("--log", action="append", choices=list(LOGS), help="only this log")
    wanted = parser.parse_args()
    names = wanted.log or list(LOGS)
    wanted.keep.mkdir(parents=True, exist_ok=True)
    before = at_base(wanted.base, wanted.keep, names)
    after = wanted.keep / "working-tree"
    run(ROOT, after, names)
    sys.exit(0 if compare(before, after, names) else 1)


if __name__ == "__main__":
    main()
