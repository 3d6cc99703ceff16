"""Where calcium and magnesium go while alkalinity is held, and how often to test them."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Prose, Table, Text, say
from reports.page.report import Report, section

AHEAD = {"1": "one month", "3": "three months", "6": "six months"}
TWICE_A_YEAR = 26
"""Weeks without a test that are as many as the outlook looks ahead."""
PERHAPS_OUT = 0.1
"""Chance of being out of the band already from which an element is tested now."""


@section("alone", "Is alkalinity alone enough?")
def outlook_section(n: Report) -> Iterator[Block]:
    """Is alkalinity alone enough, and if not how often to test the others."""
    if n.get("/outlook") is None:
        return
    names = [name for name in ("calcium", "magnesium") if n.get(f"/outlook/{name}") is not None]
    unlogged = any(one["about"] == "additions" and one["of"] in names for one in n.get("/alarms"))
    lead = [n.words("/outlook/answer"), *(_how_often(n, name) for name in names)]
    if unlogged:
        lead = [
            Markup(
                "Enter first what the log lacks, see what stands at the top: what is added without "
                "an entry is left out below."
            )
        ]
    yield Prose(Markup(" ").join(lead), "lead")
    if n.get("/outlook/cause") is not None:
        yield Prose(n.words("/outlook/cause"))
    yield Table(
        "Change from now while alkalinity is held: middle (9-in-10 range), and the chance of "
        "having left the band by then",
        ["What, after", "Change", "Left it, in 100"],
        [_row(n, name, month) for name in names for month in AHEAD],
        (1, 2),
    )
    if n.get("/outlook/routine") is not None:
        yield n.para(
            "This counts on water changes of {/outlook/routine/litres} L every "
            "{/outlook/routine/interval_days} days, as in the log.",
            "aside",
        )


def _how_often(n: Report, name: str) -> Markup:
    path = f"/outlook/{name}"
    one = n.get(path)
    weeks = one["test_weeks"]
    if not one["tested"]:
        return say("Test {} once, then run the report again.", name)
    if one["out_now_probability"] >= 0.5:
        return say(
            "Put {} right first: it is {}.",
            name,
            n.chance(f"{path}/out_now_probability", "it is out of its band now", "it is inside"),
        )
    fixed_words = {TWICE_A_YEAR: "twice a year", 0: "now, and twice a week", 1: "every week"}
    often = fixed_words.get(weeks) or say("every {} weeks", n.whole(f"{path}/test_weeks"))
    first = "now, then " if weeks and one["out_now_probability"] >= PERHAPS_OUT else ""
    return say("Test {} {}{}.", name, first, often)


def _row(n: Report, name: str, month: str) -> list[Text]:
    at, out_by = f"/outlook/{name}", f"/outlook/{name}/out_by_probability"
    change = n.say(
        "{at/q50:signed {unit}} {unit} ({at/q05:signed {unit}} to {at/q95:signed {unit}})",
        at=f"{at}/change/{month}",
        unit=n.get(f"{at}/unit"),
    )
    left = "not known" if n.get(out_by) is None else n.odds(f"{out_by}/{month}")
    return [f"{name.capitalize()}, {AHEAD[month]}", change, left]
