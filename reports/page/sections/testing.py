"""The sections on testing: what to test next, how much is enough, what narrows the range."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from markupsafe import Markup

from estimator.next_tests.enough import Verdict
from reports.blocks import (
    Block,
    Folded,
    Numbers,
    Prose,
    Section,
    Table,
    Text,
    day,
    moment,
    pointer,
    say,
)
from reports.figures import captions as pictures
from reports.page.report import Report
from reports.wording import sentence, times
from reports.words.advice import CANDIDATE_WORDS, UNKNOWNS


def tests(report: Report) -> Section:
    """What to test next, how much is enough, and a plan."""
    title = "What to test next"
    n = report.numbers
    if not n.get("/next_tests"):
        text = "Run the report again with another seed, and look first at the odd readings below."
        return Section("next", title, [Prose(text)])
    blocks: list[Block] = [Prose(lead, "lead") for lead in next_test_lines(report.numbers)]
    blocks += [pictures.next_tests(n), *_ranking(report), *_plan(report), *_how_much(report)]
    return Section("next", title, blocks)


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
    path = f"/next_tests/{best}"
    one = n.get(path)
    text = say(
        "Next: {}. It takes about {} minutes in all, would probably narrow the flow range from {} "
        "to about {} mL/h (9-in-10: {} to {}), and raises the chance of holding the band by {} in "
        "100.",
        what(one),
        n.whole(f"{path}/minutes"),
        n(f"{path}/width_now", 0),
        n(f"{path}/expected_width", 0),
        n(f"{path}/expected_width_q05", 0),
        n(f"{path}/expected_width_q95", 0),
        n.in_hundred(f"{path}/holding_gain"),
    )
    return [text]


def _nothing_helps(n: Numbers) -> Markup:
    """No test narrows the range: what is left open, and what would."""
    shares = n.get("/flow/variance_shares")
    main = max(shares, key=lambda name: shares[name])
    return say(
        "No test that can be run now narrows the flow range by as much as {} %. What is left open "
        "comes mostly from {}; {}{}.",
        n.whole("/testing/useful_pct"),
        UNKNOWNS[main].name,
        "once the reactor runs, " if n.get("/flow/planned") else "",
        UNKNOWNS[main].remedy,
    )


def what(one: dict[str, Any]) -> str:
    """What to do for one of `/next_tests`."""
    return CANDIDATE_WORDS[one["key"]].to_do(one["repeats"])


def _ranking(report: Report) -> Iterator[Block]:
    n = report.numbers
    found = n.get("/next_tests")
    priced = any(one["price"] is not None for one in found)

    def row(i: int) -> list[Text]:
        path, one = f"/next_tests/{i}", found[i]
        cells: list[Text] = [
            say("{}{}", what(one), " (as good)" if one["tied_with_previous"] else ""),
            say("{} to {}", n(f"{path}/width_now", 0), n(f"{path}/expected_width", 0)),
            say("{} ± {}", n(f"{path}/narrowing_pct", 0), n(f"{path}/narrowing_mc_error_pct", 1)),
            n.in_hundred(f"{path}/holding_gain"),
            n.whole(f"{path}/minutes"),
            n(f"{path}/narrowing_pct_per_minute", 1),
            n(f"{path}/days", 0),
        ]
        return [*cells, n(f"{path}/price", 2)] if priced else cells

    head = [
        "What to do",
        "Width of the flow range, mL/h",
        "Narrower by, %",
        "Chance of holding the band, + in 100",
        "Minutes",
        "% per minute",
        "Days",
    ]
    table = Table(
        "Every test, the one that narrows most first; “as good” means that it cannot be told from "
        "the line above. ± is the error of the computation",
        [*head, "Price"] if priced else head,
        [row(i) for i in range(len(found))],
        frozenset({1, 2, 3, 4, 5, 6, 7}),
    )
    yield Folded(say("All {} ways to test, ranked", len(found)), [table])


def _plan(report: Report) -> Iterator[Block]:
    n = report.numbers
    plan = useful_plan(n)
    if plan is None:
        return
    minutes = n.whole("/testing/plan/minutes_per_week")
    if not plan["tests"]:
        yield Prose(say("No test fits into {} minutes a week.", minutes))
        return
    rows: list[list[Text]] = [
        [
            moment(test["time"]),
            f"{'tank' if test['of'] == 'tank' else 'effluent'} {test['entry']}",
            times(test["repeats"]),
            n.whole(f"/testing/plan/tests/{i}/minutes"),
        ]
        for i, test in enumerate(plan["tests"])
    ]
    yield Table(
        "A plan for the next two weeks",
        ["When", "Test", "How often", "Minutes"],
        rows,
        frozenset({3}),
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
    return say(
        "It takes at most {} minutes a week and leaves the flow range at about {} % of what it "
        "would be then without any test (± {}); as many minutes of evenly spaced tank alkalinity "
        "tests leave {} %. {}",
        n.whole("/testing/plan/minutes_per_week"),
        n("/testing/plan/width_pct", 0),
        n("/testing/plan/width_mc_error_pct", 1),
        n("/testing/plan/evenly_spaced_width_pct", 0),
        beside,
    )


def how_much_line(n: Numbers) -> Markup | None:
    """How many tests are enough, and what no test can beat."""
    much = n.get("/testing/how_much")
    if much is None:
        return None
    if much["verdict"] == Verdict.MORE:
        verdict = say(
            "Up to {} tests each still add to the chance of holding the band.",
            n.whole("/testing/how_much/most_weighed"),
        )
    elif much["verdict"] == Verdict.NONE:
        out = n.get("/flow/level_in_band_probability") < 0.5
        verdict = say(
            "No test raises the chance of holding the band much{}.",
            ": the level has to be put right first" if out else "",
        )
    elif much["verdict"] == Verdict.SETTLED:
        verdict = Markup("For holding the band the readings so far are enough.")
    else:
        verdict = say(
            "For holding the band, {} well-chosen tests are enough: more add less than 1 in 100.",
            n.whole("/testing/how_much/enough"),
        )
    causes = much["floor_causes"]
    largest = max(causes, key=lambda name: causes[name])
    return say(
        "{} No number of tank tests in the next two weeks narrows the range below about {} "
        "mL/h ({} % of now); what sets that floor is mostly {}. If everything about today "
        "were known, the chance of holding the band would be {} in 100 higher.",
        verdict,
        n("/testing/how_much/floor", 0),
        n("/testing/how_much/floor_pct", 0),
        UNKNOWNS[largest].name,
        n.in_hundred("/testing/how_much/holding_gain_if_all_were_known"),
    )


def _how_much(report: Report) -> Iterator[Block]:
    n = report.numbers
    much, line = n.get("/testing/how_much"), how_much_line(report.numbers)
    if line is None:
        return
    yield Prose(line)
    steps = (0, 1, 2, 4, 7, 14, 28)
    widths = much["width_by_tests"]
    rows: list[list[Text]] = [
        [str(k), n(f"/testing/how_much/width_by_tests/{k}", 0)] for k in steps if k < len(widths)
    ]
    yield Folded(
        "Width of the flow range against number of tests",
        [
            Table(
                "In the best order over two weeks, by the best linear estimate",
                ["Tests", "Width, mL/h"],
                rows,
                frozenset({0, 1}),
            )
        ],
    )


def narrowing(report: Report) -> Section:
    """What would narrow the answer."""
    title = "What would change the answer"
    if not report.sampled_well:
        text = "Run the report again with another seed, and look first at the odd readings below."
        return Section("narrow", title, [Prose(text)])
    n = report.numbers
    shares = n.get("/flow/variance_shares")
    ranked = sorted(shares, key=lambda name: -shares[name])
    if not ranked:
        return Section("narrow", title, [Prose("More readings of any kind.")])
    first = ranked[0]
    lead = say(
        "Most of what is left open comes from {} ({}). To narrow it, {}.",
        UNKNOWNS[first].name,
        n.share(pointer("flow", "variance_shares", first)),
        UNKNOWNS[first].remedy,
    )
    rows: list[list[Text]] = [
        [
            sentence(UNKNOWNS[name].name).removesuffix("."),
            n.share(pointer("flow", "variance_shares", name)),
            sentence(UNKNOWNS[name].remedy),
        ]
        for name in ranked
    ]
    caption = "Where the width of the flow range comes from"
    if any(shares[name] < 0 for name in ranked):
        caption += "; a negative part offsets another"
    table = Table(caption, ["Source", "Part", "What narrows it"], rows, frozenset({1}))
    figure = [pictures.hangs_on(n)] if n.get("/flow_hangs_on") else []
    return Section("narrow", title, [*figure, Prose(lead), table])
