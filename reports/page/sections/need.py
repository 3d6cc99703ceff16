"""The flow that the tank needs: how well it is known, and what it hangs on."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Items, Prose, Text, say
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import SCALE, listed


def _title(n: Report) -> str:
    return "A reactor, as a plan" if n.planned else "Which flow the tank needs"


def _answer(n: Report) -> Text:
    if not n.recommended:
        return "cannot be said from this log yet"
    if n.planned:
        return n.say("about {/flow/recommended/set_to:flow} mL/h ({range})", range=n.flow_range())
    return n.say("{range} (9 in 10)", range=n.flow_range())


@section("need", _title, _answer)
def need_section(n: Report) -> Iterator[Block]:
    """The needed flow, what makes it well or poorly known, and what it hangs on."""
    if n.recommended:
        yield n.para(
            "The tank needs {range} of effluent to hold the middle of your band (9-in-10 range: we "
            "expect the right value to lie inside 9 times in 10).{planned}",
            range=n.flow_range(),
            planned=" No reactor runs yet: this is a plan, not a setting." if n.planned else "",
        )
        yield captions.needed_flow_picture(n)
    else:
        for reason in n.all_words("/status_reasons"):
            yield Prose(reason)
    yield Items([say("<strong>Note.</strong> {}", note) for note in n.all_words("/notes")])
    yield n.para(
        "The model is trusted so far because {reasons}. {/trust/odd_readings} of "
        "{/trust/readings_used} readings used look odd "
        "({/trust/odd_share_pct:0}\N{NO-BREAK SPACE}%).",
        "trust",
        reasons=listed(n.get("/trust/reasons")),
    )
    if n.shown and not n.get("/level_check/checked"):
        yield Prose(_unchecked(n), "aside")
    yield Prose(SCALE, "aside")


def _unchecked(n: Report) -> Markup:
    """What the range of the level is worth if the kit has shifted."""
    return n.say(
        "The range of alkalinity now holds while the kit reads as it always did, and no reference "
        "solution was tested in the last {/level_check/checked_days} days. In simulated logs whose "
        "kit shifted by a twentieth unnoticed it held the truth "
        "{/level_check/held_if_kit_shifted:in_hundred} times in 100 instead of 9 in 10, and "
        "{/level_check/held_if_uptake_follows_saturation:in_hundred} where uptake followed "
        "saturation. The needed flow hardly depends on it, since tank and effluent are tested "
        "alike."
    )
