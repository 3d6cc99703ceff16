"""What stands before any setting: one line for each alarm, worst first, with what to check."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from markupsafe import Markup

from reports.blocks import Block, Folded, Items, Prose, Text, day, say
from reports.page.report import Report, section

CERTAIN = ("fit", "log age")
"""Alarms that are so or not: no chance is told."""
WITHHELD = {
    "alkalinity": "No figure of alkalinity and no setting is shown until that is put right.",
    "calcium": "No figure of calcium is shown until that is put right.",
}


@section("alarms", "Check this first")
def alarms_section(n: Report) -> Iterator[Block]:
    """What must be looked at before any setting is changed."""
    alarms = n.each("/alarms")
    for at, alarm in alarms:
        yield n.para(
            "<strong>{at/what:words}</strong>{odds}. {at/check_first:words}",
            "alarm",
            at=at,
            odds=_odds(n, at, alarm),
        )
    # Alkalinity goes first: calcium is reckoned from it.
    for parameter in n.get("/withheld_figures")[:1]:
        yield Prose(WITHHELD[parameter])
    if alarms:
        behind = [_behind(n, at, alarm) for at, alarm in alarms]
        yield Folded("What usually lies behind it, and since when", [Items(behind)])


def _odds(n: Report, at: str, alarm: Mapping[str, Any]) -> Text:
    if alarm["about"] in CERTAIN:
        return ""
    return n.say(" ({at/chance:odds} in 100)", at=at)


def _behind(n: Report, at: str, alarm: Mapping[str, Any]) -> Text:
    """What usually lies behind it, since when and by how much."""
    said: list[Text] = []
    if alarm["since"] is not None:
        about = "" if alarm["about"] in CERTAIN else "about "
        said.append(say("since {}{}", about, day(alarm["since"])))
    if alarm["size"] is not None:
        said.append(_size(n, f"{at}/size", alarm["size"]["unit"]))
    when = say(" ({})", Markup(", ").join(said)) if said else ""
    return n.say("{at/what:words}{when}: {at/says:words}", at=at, when=when)


def _size(n: Report, at: str, unit: str) -> Markup:
    fine = {"pH": 2, "times": 1, "days": 0, "%": 0}.get(unit, unit)
    shown = {"times": "times", "pH": "pH units"}.get(unit, unit)
    if n.get(f"{at}/sd") == 0:
        return n.say("{at:middle {fine}} {shown}", at=at, fine=fine, shown=shown)
    # The headline tells the side.
    near, far = ("q95", "q05") if n.get(f"{at}/q50") < 0 else ("q05", "q95")
    return n.say(
        f"by {{at/q50:size {{fine}}}} {{shown}} "
        f"({{at/{near}:size {{fine}}}} to {{at/{far}:size {{fine}}}})",
        at=at,
        fine=fine,
        shown=shown,
    )
