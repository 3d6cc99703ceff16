"""The one schedule of tests, in words."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from reports.blocks import Folded, Numbers, Table, near_moment, say
from reports.wording import times, user_text

TESTS = "/plan/tests"
PLACES = ("tank", "effluent", "chamber")
SERVES = {"rule": "act", "learning": "learn"}
"""What a test is there to do."""


def what_is_tested(test: dict[str, Any]) -> Markup:
    """ "tank alkalinity", with the names of the keeper's solutions as they are."""
    where = test["of"] if test["of"] in PLACES else user_text(test["of"])
    return say("{} {}", where, "pH" if test["entry"] == "ph" else test["entry"].replace("_", " "))


def next_tests_line(n: Numbers) -> Markup | None:
    """The next test, with those of the same hour; None where no test fits into the minutes."""
    found = n.each(TESTS)
    if not found:
        return None
    first = found[0][1]["time"]
    told = [
        n.say(
            "{what} {often}{kit} ({at/minutes} min)",
            what=what_is_tested(test),
            often=times(test["repeats"]),
            kit=say(" with {}", user_text(test["kit"])) if test["kit"] else "",
            at=at,
        )
        for at, test in found
        if test["time"] == first
    ]
    return say("{}: {}", near_moment(first), Markup(" and ").join(told))


def all_tests(n: Numbers) -> Folded | None:
    """Every test until the next report; None where the next one is all there is."""
    found = n.each(TESTS)
    if len({test["time"] for _, test in found}) < 2:
        return None
    rows = [
        [
            near_moment(test["time"]),
            say("{}, {}", what_is_tested(test), times(test["repeats"])),
            n.whole(f"{at}/minutes"),
            SERVES[test["serves"]],
        ]
        for at, test in found
    ]
    table = Table(
        n.say("Until the next report, within {/plan/minutes_per_week} minutes a week"),
        ["When", "Test", "Minutes", "To"],
        rows,
        (2,),
    )
    return Folded(say("All {} tests until then", len(found)), [table])
