"""What a test is worth: which narrows the flow range most. When to test is the schedule's."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from markupsafe import Markup

from reports.blocks import Block, Numbers, Prose, Table, Text, say
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import sentence
from reports.words.advice import CANDIDATE_WORDS, UNKNOWNS

SETTLE_FIRST = (
    "No test can be weighed until what stands at the top is settled. Look at the odd readings "
    "below."
)
POINTS = "What to test, and when, is the schedule at the top; this is what lies behind it."
USEFUL_NONE = "none narrows the flow range by much now"


def _answer(n: Report) -> Text:
    if not n.get("/next_tests"):
        return "cannot be told yet"
    place = _single(n)
    if place is None:
        return USEFUL_NONE
    return f"of single tests, {_label(n, place)} narrows the flow range most"


@section("next", "What a test is worth", _answer)
def next_tests_section(n: Report) -> Iterator[Block]:
    """The ranking, without dates."""
    if not n.get("/next_tests"):
        yield Prose(SETTLE_FIRST)
        return
    yield Prose(POINTS)
    yield Prose(worth_line(n))
    yield captions.next_tests_picture(n)
    yield _ranking(n)
    floor = floor_line(n)
    if floor is not None:
        yield Prose(floor)


def _single(n: Numbers) -> int | None:
    """Place of the best test of one visit, without a risk; None where none is useful."""
    least = n.get("/testing/useful_pct")
    useful = (
        i
        for i, one in enumerate(n.get("/next_tests"))
        if not one["days"] and not one["risk"] and one["narrowing_pct"] >= least
    )
    return next(useful, None)


def _label(n: Numbers, place: int) -> str:
    return CANDIDATE_WORDS[n.get(f"/next_tests/{place}/key")].label


def worth_line(n: Numbers) -> Markup:
    """Which test narrows the flow range most, in one sentence."""
    place = _single(n)
    if place is None:
        return _nothing_helps(n)
    return n.say(
        "Of single tests, {test} narrows the flow range most: by {at/narrowing_pct} % in "
        "{at/minutes} minutes.",
        test=_label(n, place),
        at=f"/next_tests/{place}",
    )


def ranked_sources(n: Numbers) -> list[str]:
    """What leaves the needed flow open, the most first; names are keys of `UNKNOWNS`.

    A part that offsets another is none of it.
    """
    shares = n.get("/flow/variance_shares")
    return sorted((name for name in shares if shares[name] > 0), key=lambda name: -shares[name])


def _nothing_helps(n: Numbers) -> Markup:
    """No test narrows the range: what is left open, and what would."""
    source, remedy = UNKNOWNS[ranked_sources(n)[0]]
    return n.say(
        "No test that can be run now narrows the flow range by as much as {/testing/useful_pct} %. "
        "What is left open comes mostly from {source}; {when}{remedy}.",
        source=source,
        when="once the reactor runs, " if n.get("/flow/planned") else "",
        remedy=remedy,
    )


def words_of_test(one: dict[str, Any]) -> str:
    """What is done, of one entry of `next_tests`, with how often."""
    return CANDIDATE_WORDS[one["key"]].in_ranking(one["repeats"])


GAINED = "Days gained in 100"
RANKING = {
    "Test": "{what}{tied}",
    "Width of the flow range, mL/h": "{at/width_now} to {at/expected_width}",
    "Narrower by, %": "{at/narrowing_pct} ± {at/narrowing_mc_error_pct:1}",
    GAINED: "{at/good_days_gain_pct:1} ± {at/good_days_gain_mc_error_pct:1}",
    "Minutes": "{at/minutes}",
    "Days": "{at/days}",
    "Price": "{at/price:2}",
}
"""Columns of the table of tests, with what stands in each."""


LEAST_TOLD_PCT = 0.5
"""A test that narrows the range by less narrows it by nothing that could be told."""


def _idle(one: dict[str, Any]) -> dict[str, str]:
    """Cells of a test that narrows nothing, or whose days are not told."""
    told = {}
    if one["narrowing_pct"] < LEAST_TOLD_PCT:
        told = dict(zip([*RANKING][1:3], ("stays", "none"), strict=True))
    gain, error = one["good_days_gain_pct"], one["good_days_gain_mc_error_pct"]
    if gain is None:
        told[GAINED] = "–"
    elif gain < error:
        told[GAINED] = "none"
    return told


def _ranking(n: Report) -> Table:
    found = n.each("/next_tests")
    priced = any(one["price"] is not None for _, one in found)
    shown = len(RANKING) - (not priced)
    rows = [
        n.row(
            " | ".join([*(RANKING | _idle(one)).values()][:shown]),
            at=at,
            what=sentence(words_of_test(one)).removesuffix("."),
            tied=" (as good)" if one["tied_with_previous"] else "",
        )
        for at, one in found
    ]
    return Table(
        say(
            "All {} ways to test, each by itself, for comparison, the one that narrows most "
            "first; “as good” means that it cannot be told from the line above. Days gained are "
            "days in the band, of a hundred, where the test is run today and the plan then heeds "
            "it. ± is the error of the computation",
            len(found),
        ),
        list(RANKING)[:shown],
        rows,
        range(1, len(RANKING)),
    )


def floor_line(n: Numbers) -> Markup | None:
    """What no number of tests can beat."""
    much = n.get("/testing/how_much")
    if much is None:
        return None
    causes = much["floor_causes"]
    return n.say(
        "No number of tank tests narrows the range below about {much/floor} mL/h "
        "({much/floor_pct:0} % of now) in the weeks ahead; what sets that floor is mostly {cause}.",
        much="/testing/how_much",
        cause=UNKNOWNS[max(causes, key=lambda name: causes[name])].name,
    )
