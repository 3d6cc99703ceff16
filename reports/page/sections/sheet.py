"""The day sheet: what to set today, what to test next, what to do by what it reads.

It works alone. All of it is the twin's `plan`; nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import (
    Answer,
    Block,
    Items,
    Numbers,
    Text,
    day,
    near_day,
    pointer,
    say,
)
from reports.page.report import Report, section
from reports.page.sections.rule import RULE, ladder_blocks, rule_blocks
from reports.page.sections.schedule import all_tests, next_tests_line
from reports.wording import listed, user_text

PLAN, TODAY, CHANCES = "/plan", "/plan/today", "/plan/chances"
KNOWN = ("well", "fairly", "poorly")
"""How well the needed flow is known: the worse of what its range and what the trust in the model
that tells it allow."""
TRUSTED = ("high", "medium", "low")
WIDTHS = (1.25, 2.0)
"""The range's upper end over its lower one, at most, for the first and for the second word."""
SURELY = ((0.95, "surely"), (0.8, "mostly"))
"""How surely the band holds, by the share of good days; else "not surely"."""
SHOWN_APART = 0.025
"""Shares of days that differ by less are told as one."""
LEAVE_ALL = Markup("Leave everything as it is")
HIGHEST_DAYS = 3
"""Additions that are named by their days."""


@section("today", "What to do")
def sheet_section(n: Report) -> Iterator[Block]:
    """The checklist."""
    yield Answer(
        begins_line(n),
        headline(n),
        list(_beside(n)),
        "go" if n.recommended and not n.get("/alarms") else "wait",
    )
    yield Items(list(_checklist(n)))
    every = all_tests(n)
    if every is not None:
        yield every
    yield from ladder_blocks(n)
    yield from rule_blocks(n)
    yield Items(list(_prospects(n)))


def begins_line(n: Numbers) -> Markup:
    """ "On Thu 9 Apr": the one day that all is told for."""
    return say("On {}", near_day(n.get(f"{PLAN}/begins")))


def headline(n: Numbers) -> Markup:
    """What today's settings are, in one sentence without its full stop."""
    flow = n.get(f"{TODAY}/flow_ml_h")
    pump = [_pump(n)] if flow is not None else []
    if n.get(f"{PLAN}/leave_all"):
        return say("{} and all else as it is", pump[0]) if pump else LEAVE_ALL
    parts = [*pump, *_changed_doses(n), *_once(n)]
    if not parts:
        return LEAVE_ALL
    said = Markup(listed(parts))
    return Markup(said[:1].upper()) + said[1:]


def _pump(n: Numbers) -> Markup:
    shown = f"{TODAY}/flow_ml_h"
    action = n.get(f"{PLAN}/action")
    if n.get(shown) == 0:
        return Markup("Stop the pump" if action == "stop" else "Leave the pump off")
    verb = {"leave": "Leave the pump at", "start": "Start the pump at"}
    return n.say("{verb} {flow:flow} mL/h", verb=verb.get(action, "Set the pump to"), flow=shown)


def _changed_doses(n: Numbers) -> list[Markup]:
    """Rates that are not as now; without a reactor every rate, since they are the answer."""
    rates, now = n.get(f"{TODAY}/dose_rates"), n.get(f"{PLAN}/present/dose_rates")
    pump = n.get(f"{TODAY}/flow_ml_h") is not None
    given = [
        n.say("{at:ml} mL of {name}", at=_rate(name), name=user_text(name))
        for name, ml in rates.items()
        if ml and (ml != now[name] or not pump)
    ]
    ended = [user_text(name) for name, ml in rates.items() if not ml and now[name]]
    found = [say("dose {} a day", Markup(listed(given)))] if given else []
    return [*found, *([say("stop {}", Markup(listed(ended)))] if ended else [])]


def _rate(name: str) -> str:
    return f"{TODAY}/dose_rates{pointer(name)}"


def _once(n: Numbers) -> list[Markup]:
    """One-off additions, together where each day has the same."""
    found = n.each(f"{TODAY}/once")
    if not found:
        return []
    at, first = found[0]
    same = all((one["solution"], one["ml"]) == (first["solution"], first["ml"]) for _, one in found)
    if not same:
        return [
            n.say(
                "add {at/ml:ml} mL of {name} on {on}",
                at=at,
                name=user_text(one["solution"]),
                on=near_day(one["date"]),
            )
            for at, one in found
        ]
    often = "once" if len(found) == 1 else f"on each of {len(found)} days"
    return [
        n.say(
            "add {at/ml:ml} mL of {name} {often}",
            at=at,
            name=user_text(first["solution"]),
            often=often,
        )
    ]


def _beside(n: Report) -> Iterator[Text]:
    """What must be known beside the headline: why so little is asked, or from when it holds."""
    if n.get("/alarms"):
        yield "Look first at what stands above."
    elif not n.shown:
        yield n.why_not_shown
    if n.shown and not n.recommended:
        yield (
            "Which flow carries the whole load cannot be said yet; why stands below. This is safe "
            "meanwhile."
        )
    if n.get(f"{PLAN}/begins") > n.get("/as_of")[:10]:
        yield say(
            "The log ends on {}, before this day: until its morning keep what is set.",
            day(n.get("/as_of")),
        )
    for at in range(len(n.get(f"{PLAN}/reasons"))):
        yield n.words(f"{PLAN}/reasons/{at}")


def _checklist(n: Report) -> Iterator[Text]:
    if n.get(f"{TODAY}/flow_ml_h") is not None:
        yield n.say(
            "<strong>Pump:</strong> {today/flow_ml_h:flow} mL/h{now}",
            today=TODAY,
            now=_now(n, "flow_ml_h", "flow"),
        )
    doses = [
        n.say(
            "{name} {at:ml}\N{NO-BREAK SPACE}mL{now}{pauses}",
            name=user_text(name),
            at=_rate(name),
            now=_now(n, f"dose_rates{pointer(name)}", "ml"),
            pauses=" (pauses)" if name in n.get(f"{PLAN}/pauses") else "",
        )
        for name in n.get(f"{TODAY}/dose_rates")
    ]
    if doses:
        yield say("<strong>Dosing a day:</strong> {}", Markup(", ").join(doses))
    once = _once(n)
    if once:
        days = n.get(f"{TODAY}/once")
        until = say(
            " ({})", Markup(", ").join(near_day(one["date"]) for one in days[:HIGHEST_DAYS])
        )
        yield say(
            "<strong>One-off:</strong> {}{}, slowly and in strong flow",
            Markup(listed(once)),
            until if len(days) <= HIGHEST_DAYS else "",
        )
    tests = next_tests_line(n)
    if tests is None:
        tests = n.say("none fits into {/plan/minutes_per_week} minutes a week")
    yield say("<strong>Next test:</strong> {}", tests)
    sooner = ", or at once when alkalinity reads outside its band" if reports_at_once(n) else ""
    yield say(
        "<strong>Run the report again</strong> on {}, with that day's tests{}",
        near_day(n.get(f"{PLAN}/report_again")),
        sooner,
    )


def reports_at_once(n: Numbers) -> bool:
    """Whether a reading outside the band calls for a report: the level should stand inside, and no
    table tells what to do."""
    return n.get(RULE) is None and n.get(f"{PLAN}/kind") in ("hold", "hand_over", "dose")


def _now(n: Report, key: str, how: str) -> Markup:
    """ " (now 2600)", where that differs."""
    at, now = f"{TODAY}/{key}", f"{PLAN}/present/{key}"
    if n.get(now) == n.get(at) or not (n.get(now) or n.get(at)):
        return Markup("")
    if n.get(now) is None:
        return Markup(" (off now)")
    return n.say(f" (now {{now:{how}}})", now=now)


def _prospects(n: Report) -> Iterator[Text]:
    """How surely the band holds, and how well the flow is known: two things."""
    if n.get(CHANCES) is not None:
        yield say("<strong>The band holds {}:</strong> {}.", surely(n), good_days(n))
    if n.recommended:
        flow = "flow of a reactor to come" if n.planned else "flow it needs"
        yield say("<strong>The {} is {} known:</strong> {}.", flow, well_known(n), n.flow_range())
    elif n.shown:
        yield Markup("<strong>The flow it needs is not known yet.</strong>")


def well_known(n: Numbers) -> str:
    """One word for how well the needed flow is known, where there is a range."""
    low, high = (n.get(f"/flow/recommended/{end}") for end in ("low", "high"))
    wide = sum(high > most * low for most in WIDTHS)
    return KNOWN[max(wide, TRUSTED.index(n.get("/trust/level")))]


def surely(n: Numbers) -> str:
    """One word for how surely the band holds with the plan followed."""
    share = n.get(f"{CHANCES}/good_days")
    return next((word for least, word in SURELY if share >= least), "not surely")


def good_days(n: Numbers) -> Markup:
    """Days in ten within the band: with the plan followed, as the kit reads, and set and left."""
    followed = f"{CHANCES}/good_days"
    reads, left = f"{followed}_as_kit_reads", f"{followed}_set_and_left"
    differs = abs(n.get(reads) - n.get(followed)) > SHOWN_APART
    return n.say(
        "{followed:days_in_ten} days in ten of the next {/plan/chances/judged_days} with "
        "this followed{reads}; {left:days_in_ten} with today's settings left alone",
        followed=followed,
        reads=n.say(", {at:days_in_ten} as this kit reads", at=reads) if differs else "",
        left=left,
    )
