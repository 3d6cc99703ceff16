"""Where alkalinity goes while the plan is followed."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Text, decimals_of, say
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import needed_decimals

CHANCES = "/plan/chances"


def _answer(n: Report) -> Markup:
    return n.say(
        "{/level_now/alkalinity:middle {unit}} {unit} now, {at:span {unit}} in "
        "{/plan/chances/judged_days} days (9 in 10)",
        at=f"/plan/levels/{len(n.get('/plan/levels')) - 1}",
        unit=n.unit,
    )


@section("ahead", "Where alkalinity goes", _answer)
def ahead_section(n: Report) -> Iterator[Block]:
    """The levels to come, and how surely they stay in the band."""
    if n.get(CHANCES) is None:
        return
    yield captions.ahead_picture(n)
    every: Text = say("on every one of the next {} days", n.whole(f"{CHANCES}/judged_days"))
    yield n.para(
        "With the plan followed it is {followed}; as this kit reads, one test a day, it is "
        "{read}. With today's settings left alone it is {left}.",
        followed=_all_days(n, "all_days", every),
        read=n.chance(
            f"{CHANCES}/all_days_as_kit_reads",
            "every reading is within it",
            "at least one reading is outside",
        ),
        left=_all_days(n, "all_days_set_and_left", every),
    )
    yield n.para(
        "On no day does it rise by more than {at/largest_daily_rise/q95:{unit}} {unit} (19 in 20); "
        "the limit is {/plan/rise_limit:{fine}} {unit}{source}.",
        at=CHANCES,
        unit=n.unit,
        fine=needed_decimals(n.get("/plan/rise_limit"), decimals_of(n.unit)),
        source="" if n.get("/plan/rise_limit_stated") else " (common practice, no source)",
    )
    if n.get("/plan/self_regulation_days") is not None:
        yield n.para(
            "The tank evens itself out: a departure shrinks by two thirds in about {at:middle 0} "
            "days ({at:span 0}). That comes of the effluent's flow through the water volume, and "
            "of a tank that uses more the higher its alkalinity.",
            "aside",
            at="/plan/self_regulation_days",
        )


def _all_days(n: Report, key: str, every: Text) -> Markup:
    return n.chance(
        f"{CHANCES}/{key}",
        say("alkalinity is within the band {}", every),
        say("alkalinity is outside the band, or rises too fast, on at least one of them")
        if key != "all_days"
        else say("alkalinity is not within the band {}", every),
    )
