"""What to test next, a plan of tests, and how much is enough."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from markupsafe import Markup

from estimator.next_tests.enough import Verdict
from reports.blocks import Block, Folded, Numbers, Prose, Table, day, moment, say
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import times
from reports.words.advice import CANDIDATE_WORDS, UNKNOWNS

SETTLE_FIRST = (
    "No test can be weighed until what stands at the top is settled: begin with the tests that it "
    "asks for, and look at the odd readings below."
)
TESTS_TOLD = (0, 1, 2, 4, 7, 14, 28)
"""Numbers of tests for which the width is shown."""


@section("next", "What to test next")
def next_tests_section(n: Report) -> Iterator[Block]:
    """What to test next, how much is enough, and a plan."""
    if not n.get("/next_tests"):
        yield Prose(SETTLE_FIRST)
        return
    if any(alarm["tests"] for alarm in n.get("/alarms")):
        yield Prose("The tests that stand at the top come first; these narrow the flow range.")
    for lead in next_test_lines(n):
        yield Prose(lead, "lead")
    yield captions.next_tests_picture(n)
    yield _ranking(n)
    yield from _tests_to_come(n)
    yield from _how_much(n)


def next_test_lines(n: Numbers) -> list[Markup]:
    """What to do next in a sentence or two, also for the terminal."""
    until = n.get("/testing/settled_until")
    if until is not None:
        return [
            say(
                "The readings already settle the setting: no test adds as much as 1 in 100 to the "
                "chance of holding the band. Beside your usual safety tests nothing need be tested "
                "before {}.",
                day(until),
            )
        ]
    best = n.get("/testing/next")
    if best is None:
        return [_nothing_helps(n)]
    at = f"/next_tests/{best}"
    text = n.say(
        "Next: {test}. It takes about {at/minutes} minutes in all, would probably narrow the flow "
        "range from {at/width_now} to about {at/expected_width} mL/h (9-in-10: "
        "{at/expected_width_q05} to {at/expected_width_q95}), and raises the chance of holding the "
        "band by {at/holding_gain:in_hundred} in 100.",
        test=words_of_test(n.get(at)),
        at=at,
    )
    return [text]


def ranked_sources(n: Numbers) -> list[str]:
    """What leaves the needed flow open, the most first; names are keys of `UNKNOWNS`."""
    shares = n.get("/flow/variance_shares")
    return sorted(shares, key=lambda name: -shares[name])


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
    """What to do, of one entry of `next_tests`, with how often."""
    return CANDIDATE_WORDS[one["key"]].to_do(one["repeats"])


RANKING = {
    "What to do": "{what}{tied}",
    "Width of the flow range, mL/h": "{at/width_now} to {at/expected_width}",
    "Narrower by, %": "{at/narrowing_pct} ± {at/narrowing_mc_error_pct:1}",
    "Chance of holding the band, + in 100": "{at/holding_gain:in_hundred}",
    "Minutes": "{at/minutes}",
    "% per minute": "{at/narrowing_pct_per_minute:1}",
    "Days": "{at/days}",
    "Price": "{at/price:2}",
}
"""Columns of the table of tests, with what stands in each."""


def _ranking(n: Report) -> Folded:
    found = n.each("/next_tests")
    priced = any(one["price"] is not None for _, one in found)
    shown = len(RANKING) - (not priced)
    rows = [
        n.row(
            " | ".join([*RANKING.values()][:shown]),
            at=at,
            what=words_of_test(one),
            tied=" (as good)" if one["tied_with_previous"] else "",
        )
        for at, one in found
    ]
    table = Table(
        "Every test, the one that narrows most first; “as good” means that it cannot be told from "
        "the line above. ± is the error of the computation",
        list(RANKING)[:shown],
        rows,
        range(1, len(RANKING)),
    )
    return Folded(say("All {} ways to test, ranked", len(found)), [table])


def _tests_to_come(n: Report) -> Iterator[Block]:
    plan = useful_plan(n)
    if plan is None:
        return
    if not plan["tests"]:
        yield n.para("No test fits into {/testing/plan/minutes_per_week} minutes a week.")
        return
    yield Table(
        "A plan for the next two weeks",
        ["When", "Test", "How often", "Minutes"],
        [
            [
                moment(test["time"]),
                f"{'tank' if test['of'] == 'tank' else 'effluent'} {test['entry']}",
                times(test["repeats"]),
                n.whole(f"{at}/minutes"),
            ]
            for at, test in n.each("/testing/plan/tests")
        ],
        (3,),
    )
    yield Prose(plan_line(n))


def useful_plan(n: Numbers) -> dict[str, Any] | None:
    """The plan of tests, unless it narrows the flow range by too little to be worth the minutes."""
    plan: dict[str, Any] | None = n.get("/testing/plan")
    return None if plan and plan["tests"] and not plan["useful"] else plan


def plan_line(n: Numbers) -> Markup:
    """What the plan brings, beside evenly spaced tests."""
    beside = (
        "The retests of the change-over come first and count towards these minutes."
        if n.get("/change_over")
        else "The plan serves the setting: keep up your usual safety tests beside it."
    )
    return n.say(
        "It takes at most {/testing/plan/minutes_per_week} minutes a week and leaves the flow "
        "range at about {/testing/plan/width_pct} % of what it would be then without any test (± "
        "{/testing/plan/width_mc_error_pct:1}); as many minutes of evenly spaced tank alkalinity "
        "tests leave {/testing/plan/evenly_spaced_width_pct} %. {beside}",
        beside=beside,
    )


def how_much_line(n: Numbers) -> Markup | None:
    """How many tests are enough, and what no test can beat."""
    much = n.get("/testing/how_much")
    if much is None:
        return None
    causes = much["floor_causes"]
    if much["verdict"] == Verdict.MORE:
        verdict = (
            "Up to {much/most_weighed} tests each still add to the chance of holding the band."
        )
    elif much["verdict"] == Verdict.NONE:
        out = n.get("/flow/level_in_band_probability") < 0.5
        first = ": the level has to be put right first" if out else ""
        verdict = f"No test raises the chance of holding the band much{first}."
    elif much["verdict"] == Verdict.SETTLED:
        verdict = "For holding the band the readings so far are enough."
    else:
        verdict = (
            "For holding the band, {much/enough} well-chosen tests are enough: more add less than "
            "1 in 100."
        )
    return n.say(
        verdict + " No number of tank tests in the next two weeks narrows the range below about "
        "{much/floor} mL/h ({much/floor_pct} % of now); what sets that floor is mostly {cause}. If "
        "everything about today were known, the chance of holding the band would be "
        "{much/holding_gain_if_all_were_known:in_hundred} in 100 higher.",
        much="/testing/how_much",
        cause=UNKNOWNS[max(causes, key=lambda name: causes[name])].name,
    )


def _how_much(n: Report) -> Iterator[Block]:
    line = how_much_line(n)
    if line is None:
        return
    yield Prose(line)
    path = "/testing/how_much/width_by_tests"
    told = [k for k in TESTS_TOLD if k < len(n.get(path))]
    table = Table(
        "In the best order over two weeks, by the best linear estimate",
        ["Tests", "Width, mL/h"],
        [[str(k), n.whole(f"{path}/{k}")] for k in told],
        (0, 1),
    )
    yield Folded("Width of the flow range against number of tests", [table])
