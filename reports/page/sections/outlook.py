"""Where calcium and magnesium go while alkalinity is held, and for how long they hold."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Prose, Table, Text, say
from reports.page.report import Report, section

AHEAD = {"1": "one month", "3": "three months", "6": "six months"}
TWICE_A_YEAR = 26
"""Weeks without a test that are as many as the outlook looks ahead."""
PERHAPS_OUT = 0.1
"""Chance of being out of the band already from which that is told."""


def _answer(n: Report) -> Text:
    if _unlogged(n):
        return "cannot be told: the log lacks something"
    if not _elements(n):
        return "cannot be told: see what stands at the top"
    return Markup("; ").join(_holds(n, name) for name in _elements(n))


def _elements(n: Report) -> list[str]:
    return [name for name in ("calcium", "magnesium") if n.get(f"/outlook/{name}") is not None]


def _unlogged(n: Report) -> bool:
    elements = _elements(n)
    return any(one["about"] == "additions" and one["of"] in elements for one in n.get("/alarms"))


@section("alone", "Is alkalinity alone enough?", _answer)
def outlook_section(n: Report) -> Iterator[Block]:
    """Is alkalinity alone enough, and if not how long the others hold."""
    if n.get("/outlook") is None:
        return
    names = _elements(n)
    lead = [n.words("/outlook/answer"), *(_how_long(n, name) for name in names)]
    if _unlogged(n):
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
            "This counts on water changes of {/outlook/routine/volume:{unit}} {unit} every "
            "{/outlook/routine/interval_days} days, as in the log.",
            "aside",
            unit=n.get("/outlook/routine/unit"),
        )


def _how_long(n: Report, name: str) -> Markup:
    """How long an element holds without a test, as a sentence."""
    path = f"/outlook/{name}"
    one = n.get(path)
    if one["tested"] and one["out_now_probability"] >= 0.5:
        return say(
            "Put {} right first: it is {}.",
            name,
            n.chance(f"{path}/out_now_probability", "it is out of its band now", "it is inside"),
        )
    words = _holds(n, name)
    return Markup(words[:1].upper()) + words[1:] + "."


def _holds(n: Report, name: str) -> Markup:
    """ "calcium holds for about 6 weeks"."""
    path = f"/outlook/{name}"
    one = n.get(path)
    if not one["tested"]:
        return say("{} was never tested: one test would tell", name)
    if one["out_now_probability"] >= 0.5:
        return say("{} is out of its band", name)
    words = {TWICE_A_YEAR: "half a year or more", 1: "about a week"}
    weeks = one["test_weeks"]
    how = words.get(weeks) or n.say("about {at/test_weeks} weeks", at=path)
    told = (
        say("{} holds for {}", name, how) if weeks else say("{} may leave its band any day", name)
    )
    perhaps = weeks and one["out_now_probability"] >= PERHAPS_OUT
    return say("{}{}", told, ", unless it is out already") if perhaps else told


def _row(n: Report, name: str, month: str) -> list[Text]:
    at, out_by = f"/outlook/{name}", f"/outlook/{name}/out_by_probability"
    change = n.say(
        "{at/q50:signed {unit}} {unit} ({at/q05:signed {unit}} to {at/q95:signed {unit}})",
        at=f"{at}/change/{month}",
        unit=n.get(f"{at}/unit"),
    )
    left = "not known" if n.get(out_by) is None else n.odds(f"{out_by}/{month}")
    return [f"{name.capitalize()}, {AHEAD[month]}", change, left]
