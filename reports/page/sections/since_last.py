"""What changed since the report before this one, and whether it foretold the readings since."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Prose, Table, Text, day, moment, say
from reports.page.report import Report, section
from reports.wording import user_text

AT = "/since_last"
WHAT = {"tank": "Tank alkalinity", "effluent": "Effluent alkalinity"}


def _answer(n: Report) -> Markup:
    moved = [part for part in (_readings(n), _uptake(n), _effluent(n), _pump(n)) if part]
    return n.say(
        "{moved} (report of {date})",
        moved=Markup("; ").join(moved),
        date=day(n.get(f"{AT}/as_of")),
    )


@section("since", "Since the last report", _answer)
def since_last_section(n: Report) -> Iterator[Block]:
    """What was foretold and read, and how uptake, effluent and pump moved."""
    if n.get(AT) is None:
        return
    if n.get(f"{AT}/tests"):
        yield Table(
            "Readings since, and what was foretold of them (9-in-10 range)",
            ["Test", "Read", "Foretold", "As foretold"],
            [_row(n, path) for path, _ in n.each(f"{AT}/foretold")],
            (1, 2),
        )
    yield Prose(
        "About 9 readings in 10 should come as foretold, if what the last report asked for was "
        "done. Where more do not, something changed, or something was set that the log does not "
        "hold.",
        "aside",
    )


def _readings(n: Report) -> Markup:
    """How many came as foretold."""
    tests = n.get(f"{AT}/tests")
    if tests == 0:
        return Markup("no reading to compare with what was foretold")
    if tests == 1:
        so = "the one reading was as foretold", "the one reading was not as foretold"
        return Markup(so[0] if n.get(f"{AT}/as_foretold") else so[1])
    return n.say("{at/as_foretold} of {at/tests} readings were as foretold", at=AT)


def _from_to(n: Report, path: str, words: str) -> Markup:
    """Middle then and now; nothing where one of them was not told."""
    found = n.get(path)
    if found["before"] is None or found["now"] is None or not n.shown:
        return Markup("")
    return n.say(
        "{words} {at/before:middle {unit}} → {at/now:middle {unit}} {unit}",
        words=words,
        at=path,
        unit=found["now"]["unit"],
    )


def _uptake(n: Report) -> Markup:
    return _from_to(n, f"{AT}/uptake", "uptake")


def _effluent(n: Report) -> Markup:
    if n.planned:
        return Markup("")
    return _from_to(n, f"{AT}/effluent", "effluent")


def _pump(n: Report) -> Markup:
    """Settings at the ends of both logs, and what was to be set where that is another."""
    flow = n.get(f"{AT}/flow")
    if flow["before"] is None or flow["now"] is None:
        return Markup("")
    told = n.say("pump {at/before:flow} → {at/now:flow} mL/h", at=f"{AT}/flow")
    if flow["set"] in (None, flow["now"]):
        return told
    return told + n.say(", {at/set:flow} was to be set", at=f"{AT}/flow")


def _row(n: Report, path: str) -> list[Text]:
    one = n.get(path)
    return [
        say("{}, {}", WHAT.get(one["of"]) or user_text(one["of"]), moment(one["time"])),
        n.say("{at/value:{unit}} {unit}", at=path, unit=one["unit"]),
        n.say("{at/low:{unit}} to {at/high:{unit}}", at=path, unit=one["unit"]),
        "yes" if one["inside"] else "no",
    ]
