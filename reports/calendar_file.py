"""The plan's dates as a calendar file (RFC 5545), made from the twin alone.

Times are local without a zone ("floating", RFC 5545, section 3.3.5): nine o'clock at the tank stays
nine o'clock. An entry's UID is made of the tank's name, its date and what is to be done, so that a
new plan replaces the entry of the one before it. DTSTAMP, which the standard wants in UTC, and
SEQUENCE, by which the newer entry is known, are of the log's last entry: no clock enters, and the
same plan is the same bytes.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from reports.output import Json
from reports.wording import fixed, listed, needed_decimals, plain, sentence, step_decimals

PRODUCT = "-//reef-uptake//plan//EN"
HEAD = f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:{PRODUCT}\r\n"
LINE_OCTETS = 75
"""RFC 5545, section 3.1: longest line without its break."""
EPOCH = datetime(2000, 1, 1)


@dataclass(frozen=True)
class Entry:
    """One thing to be done.

    Attributes:
        kind: of what is to be done; with the day it tells entries apart.
        at: local time, or a date for what has no hour.
        minutes: that it takes; 0 with a date.
        summary, more: its title and the rest.
    """

    kind: str
    at: datetime | date
    minutes: float
    summary: str
    more: str = ""


def calendar_of(twin: Json) -> str:
    """The whole file: tests, one-off additions, pump steps and the next report of the plan."""
    lines = ["CALSCALE:GREGORIAN"]
    seen: Counter[str] = Counter()
    as_of = datetime.fromisoformat(twin["as_of"])
    tank = hashlib.sha256(twin["tank"]["name"].encode("utf-8", "replace")).hexdigest()[:16]
    for entry in _entries(twin):
        name = f"{tank}-{entry.at:%Y%m%d}-{entry.kind}"
        seen[name] += 1
        count = f"-{seen[name]}" if seen[name] > 1 else ""
        lines += _event(entry, f"{name}{count}@reef-uptake", as_of, twin["tank"]["name"])
    return HEAD + "".join(f"{_folded(line)}\r\n" for line in [*lines, "END:VCALENDAR"])


def is_calendar(path: Path) -> bool:
    """Whether the file at `path` is one of these. Raises: OSError, it cannot be read."""
    with path.open("rb") as file:
        return file.read(len(HEAD)) == HEAD.encode()


def _event(entry: Entry, uid: str, as_of: datetime, tank: str) -> list[str]:
    if isinstance(entry.at, datetime):
        when = [
            f"DTSTART:{entry.at:%Y%m%dT%H%M%S}",
            f"DURATION:PT{max(round(entry.minutes), 1)}M",
        ]
    else:
        when = [f"DTSTART;VALUE=DATE:{entry.at:%Y%m%d}"]
    more = [f"DESCRIPTION:{_text(entry.more)}"] if entry.more else []
    return [
        "BEGIN:VEVENT",
        f"UID:{uid}",
        f"DTSTAMP:{as_of:%Y%m%dT%H%M%S}Z",
        f"SEQUENCE:{max((as_of - EPOCH) // timedelta(minutes=1), 0)}",
        *when,
        f"SUMMARY:{_text(f'{tank}: {entry.summary}')}",
        *more,
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]


def _text(text: str) -> str:
    """A value of type TEXT (RFC 5545, section 3.3.11), without marks that are not to be seen."""
    escaped = plain(text).replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return escaped.encode("utf-8", "replace").decode("utf-8")


def _folded(line: str) -> str:
    """A line in pieces of at most 75 octets, each but the first after a blank; no letter is cut."""
    pieces, piece, room = [], "", LINE_OCTETS
    for mark in line:
        octets = len(mark.encode("utf-8"))
        if octets > room:
            pieces.append(piece)
            piece, room = "", LINE_OCTETS - 1
        piece += mark
        room -= octets
    return "\r\n ".join([*pieces, piece])


def _entries(twin: Json) -> Iterator[Entry]:
    plan = twin["plan"]
    for test in plan["tests"]:
        yield _test(test)
    for once in plan["today"]["once"]:
        yield Entry(
            f"add-{_digest(once['solution'])}",
            date.fromisoformat(once["date"]),
            0,
            f"add {_ml(once['ml'])} mL of {once['solution']}, once",
        )
    for number, rung in enumerate(plan["ladder"]):
        yield _rung(twin, rung, first=number == 0)
    yield Entry(
        "report",
        date.fromisoformat(plan["report_again"]),
        0,
        "run the report again",
        "With the tests of this day in the log. Its plan replaces what is still open of this one.",
    )


def _test(test: Json) -> Entry:
    of = test["of"]
    what = f"{of} {test['entry']}" if of in ("tank", "effluent") else f"{test['entry']} of {of}"
    repeats = f", {test['repeats']} times" if test["repeats"] > 1 else ""
    kit = f" with {test['kit']}" if test["kit"] else ""
    kind = f"test-{_digest(test['entry'], of)}"
    return Entry(
        kind,
        datetime.fromisoformat(test["time"]),
        test["minutes"],
        f"test {what}{repeats}",
        f"Test {what}{kit}{repeats}: {fixed(test['minutes'], 0)} minutes in all.",
    )


def _rung(twin: Json, rung: Json, *, first: bool) -> Entry:
    """The first is today's; a later one waits for a reading that lets it be taken."""
    pump = twin["tank"]["pump"]
    decimals = step_decimals(pump["step"]) if pump else 0
    flow = f"pump at {fixed(rung['flow_ml_h'], decimals)} mL/h"
    takes = [f"{_ml(ml)} mL/day of {name}" for name, ml in rung["takes"].items() if ml]
    less = f"dose {listed(takes)} less" if takes else ""
    ruled = twin["plan"]["rule"] is not None
    more = sentence(less) if less else ""
    if not first and ruled:
        more = f"Not before the rule of the report says so, by a test. {more}".strip()
    day = date.fromisoformat(rung["date"])
    return Entry("pump", day, 0, flow if first or not ruled else f"next step: {flow}", more)


def _ml(ml: float) -> str:
    return fixed(ml, needed_decimals(ml, 1))


def _digest(*names: str) -> str:
    """Names of the keeper's as an identifier may hold them."""
    text = "\0".join(names).encode("utf-8", "replace")
    return hashlib.sha256(text).hexdigest()[:8]
