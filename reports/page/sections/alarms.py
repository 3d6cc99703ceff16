"""What stands before any setting: one block for each alarm, worst first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from markupsafe import Markup

from reports.blocks import Answer, Block, Prose, Text, day, say
from reports.page.report import Report, section
from reports.wording import chance_word, listed, times, user_text

CERTAIN = ("fit", "log age")
"""Alarms that are so or not: no chance is told."""
PERHAPS = 1 / 3
"""Below this chance there is no word on the scale for the event itself."""
PLACES = ("tank", "effluent", "chamber")
WITHHELD = {
    "alkalinity": "No figure of alkalinity and no setting is shown until that is put right.",
    "calcium": "No figure of calcium is shown until that is put right.",
}


@section("alarms", "Check this first")
def alarms_section(n: Report) -> Iterator[Block]:
    """What must be looked at before any setting is changed."""
    for at, alarm in n.each("/alarms"):
        yield Answer(_how_likely(n, at, alarm), n.words(f"{at}/what"), list(_lines(n, at)), "alarm")
    # Alkalinity goes first: calcium is reckoned from it.
    for parameter in n.get("/withheld_figures")[:1]:
        yield Prose(WITHHELD[parameter])


def _how_likely(n: Report, at: str, alarm: Mapping[str, Any]) -> Text:
    """How likely, since when and by how much."""
    said: list[Text] = []
    if alarm["about"] not in CERTAIN:
        word = chance_word(alarm["chance"]) if alarm["chance"] >= PERHAPS else "perhaps"
        said.append(n.say("{word} ({at/chance:odds} in 100)", word=word.capitalize(), at=at))
    if alarm["since"] is not None:
        since = "Since" if alarm["about"] in CERTAIN else "since about"
        said.append(say("{} {}", since, day(alarm["since"])))
    if alarm["size"] is not None:
        said.append(_size(n, f"{at}/size", alarm["size"]["unit"]))
    return Markup(", ").join(said) if said else "Certain"


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


def _lines(n: Report, at: str) -> Iterator[Text]:
    yield n.say("{at/says:words}", at=at)
    yield n.say("<strong>First:</strong> {at/check_first:words}", at=at)
    tests = [_test(n, place, test) for place, test in n.each(f"{at}/tests")]
    if tests:
        yield say("<strong>Test today:</strong> {}.", _listed(tests))


def _test(n: Report, at: str, test: Mapping[str, Any]) -> Markup:
    name = "pH" if test["entry"] == "ph" else test["entry"]
    where = test["of"] if test["of"] in PLACES else user_text(test["of"])
    return n.say(
        "{where} {name}, {often} ({at/minutes} min)",
        where=where,
        name=name,
        often=times(test["repeats"]),
        at=at,
    )


def _listed(items: list[Markup]) -> Markup:
    return Markup(listed(items))
