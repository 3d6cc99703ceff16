"""What to do by what a test reads: the plan's rule, its rungs, as a keeper follows them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from markupsafe import Markup

from reports.blocks import Block, Items, Numbers, Table, Text, near_day, pointer, say
from reports.page.report import Report
from reports.wording import needed_decimals, user_text

RULE, LADDER = "/plan/rule", "/plan/ladder"


def ladder_blocks(n: Report) -> Iterator[Block]:
    """The rungs until the next report, and where they end as far as is known."""
    rungs = n.each(LADDER)
    when = "each at a test that allows it" if n.get(RULE) else "each on its day"
    if len(rungs) > 1:
        yield n.para("<strong>The pump goes up in rungs</strong>, {when}:", when=when)
        yield Items([_rung(n, at, rung) for at, rung in rungs])
    if n.get("/plan/ends_at_ml_h"):
        yield n.para("As far as is known, the pump ends at about {/plan/ends_at_ml_h:flow} mL/h.")


def _rung(n: Report, at: str, rung: dict[str, Any]) -> Markup:
    taken = [
        n.say("{at:ml} mL of {name}", at=f"{at}/takes{pointer(name)}", name=user_text(name))
        for name, ml in rung["takes"].items()
        if ml
    ]
    less = say(", and {} a day less", Markup(" and ").join(taken)) if taken else ""
    return n.say(
        "{on}: {at/flow_ml_h:flow} mL/h{less}", on=near_day(rung["date"]), at=at, less=less
    )


def rule_blocks(n: Report) -> Iterator[Block]:
    """One table of at most seven rows, and how it is read."""
    if n.get(RULE) is None:
        return
    kit = n.get(f"{RULE}/kit")
    caption: Text = say("By what kit {} reads", user_text(kit)) if kit else "By what the test reads"
    rows = [[figures(n, at), Markup("; ").join(deeds(n, at, case))] for at, case in cases(n)]
    yield Table(caption, [f"Reads, {n.get(f'{RULE}/unit')}", "Do"], rows)
    yield Items(list(_lines(n)))


def cases(n: Numbers) -> list[tuple[str, dict[str, Any]]]:
    """The rule's rows with their pointers; one between two figures of the kit cannot be read."""

    def readable(case: dict[str, Any]) -> bool:
        low, high = case["figures_from"], case["figures_to"]
        return low is None or high is None or low <= high

    return [(at, case) for at, case in n.each(f"{RULE}/cases") if readable(case)]


def quiet_case(n: Numbers) -> tuple[str, dict[str, Any]]:
    """The row that changes the least: that of a reading as it is meant to be."""

    def change(row: tuple[str, dict[str, Any]]) -> float:
        _, case = row
        moved = (case["flow_change_ml_h"], *(case["dose_changes"] or {}).values())
        return sum(abs(one) for one in moved) if case["do"] == "set" else float("inf")

    return min(cases(n), key=change)


def figures(n: Numbers, at: str) -> Markup:
    """ "7.7 to 8.6": the readings of a row as figures of the kit."""
    case, fine = n.get(at), needed_decimals(n.get(f"{RULE}/step"), 3)
    low, high = case["figures_from"], case["figures_to"]
    if low is None and high is None:
        return Markup("anything")
    if low is None:
        return n.say("{at/figures_to:{fine}} or less", at=at, fine=fine)
    if high is None:
        return n.say("{at/figures_from:{fine}} or more", at=at, fine=fine)
    if low == high:
        return n.say("{at/figures_from:{fine}}", at=at, fine=fine)
    return n.say("{at/figures_from:{fine}} to {at/figures_to:{fine}}", at=at, fine=fine)


def deeds(n: Numbers, at: str, case: dict[str, Any]) -> list[Markup]:
    """What a row asks for."""
    if case["do"] == "report":
        return [Markup("run the report now")]
    if case["do"] == "repeat":
        return [Markup("test again")]
    found = [Markup("next rung")] if case["step"] == "next" else []
    if case["flow_change_ml_h"]:
        found.append(n.say("pump {at/flow_change_ml_h:signed_flow} mL/h", at=at))
    doses = [
        n.say("{name} {at:ml_change}", name=user_text(name), at=f"{at}/dose_changes{pointer(name)}")
        for name, ml in case["dose_changes"].items()
        if ml
    ]
    if doses:
        found.append(say("{} mL a day", Markup(", ").join(doses)))
    return found or [Markup("change nothing")]


def _lines(n: Report) -> Iterator[Text]:
    """How the table is read: at most six lines."""
    every = [case for _, case in cases(n)]
    yield "Take the mean of the repeats, rounded to the kit's figures, a half up."
    if any(case["do"] == "repeat" for case in every):
        yield (
            "Test again: one more reading, then the row of the mean; if that says so too, run the "
            "report now."
        )
    limits = list(_limits(n, every))
    if limits:
        within = Markup(" and ").join(limits)
        yield say("Changes are to what is set then; stay within {}.", within)
    if any(case["step"] == "next" for case in every):
        moved = any(case["flow_change_ml_h"] for case in every)
        by = ", the pump by the difference of the two lines" if moved else ""
        yield f"Next rung: the next line above, not before its day{by}; then the row's own change."
    yield "Log every reading: a new report knows more than this table."


def _limits(n: Report, every: list[dict[str, Any]]) -> Iterator[Text]:
    """How far the rows may go."""
    if any(case["flow_change_ml_h"] for case in every) and n.get("/tank/pump"):
        yield n.say("{/tank/pump/min:flow} to {/tank/pump/max:flow} mL/h")
    moved = {name for case in every for name, ml in (case["dose_changes"] or {}).items() if ml}
    most = [
        n.say("0 to {at:ml} mL of {name}", at=f"{RULE}/most{pointer(name)}", name=user_text(name))
        for name, ml in n.get(f"{RULE}/most").items()
        if ml and name in moved
    ]
    if most:
        yield say("{} a day", Markup(", ").join(most))
