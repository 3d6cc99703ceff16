"""The lines that the commands print."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from markupsafe import Markup

from estimator.errors import row_ranges
from estimator.fit.used import unused
from estimator.inputs.read import Inputs
from reports.blocks import Numbers
from reports.wording import (
    chance_sides,
    fixed,
    listed,
    plain,
    sentence,
    step_decimals,
    times,
)
from reports.words.table import words


def terminal_lines(twin: dict[str, Any], page: str, twin_name: str) -> list[str]:
    """What stands before any setting; answer, range or reason, uptake, how sure, the files written.

    Args:
        twin: the JSON twin.
        page, twin_name: paths of the two files.
    """
    return [
        *alarm_lines(twin),
        *_answer(twin),
        _uptake(twin),
        _sure(twin),
        f"Report: {page} and {twin_name}",
    ]


def alarm_lines(twin: dict[str, Any]) -> list[str]:
    """One line: what stands before any setting, worst first, and what to look at first."""
    numbers, told = Numbers(twin), []
    for at, alarm in numbers.each("/alarms"):
        odds = f" ({numbers.odds(f'{at}/chance').striptags()} in 100)"
        told.append(plain(alarm["what"]) + (odds if alarm["chance"] < 1.0 else ""))
    if not told:
        return []
    return [f"Check first: {'; '.join(told)}. {plain(twin['alarms'][0]['check_first'])}"]


RANKED_SHOWN = 6
FLAGGED_SHOWN = 20


def next_lines(twin: dict[str, Any]) -> list[str]:
    """What `uptake next` prints: what to do, a plan, the best of each kind, and what is enough."""
    from reports.figures.captions import best_of_each
    from reports.page.sections.next_tests import (
        how_much_line,
        next_test_lines,
        plan_line,
        useful_plan,
        words_of_test,
    )

    numbers = Numbers(twin)
    if not twin["next_tests"]:
        failures = twin["diagnostics"]["failures"]
        why = "the log contradicts itself."
        if failures:
            why = f"the fit did not pass its own checks: {'; '.join(failures)}."
        return [*alarm_lines(twin), f"No test can be weighed, because {why}"]
    lines = [str(line.striptags()) for line in next_test_lines(numbers)]
    lines = [*alarm_lines(twin), *lines]
    plan = useful_plan(numbers)
    if plan and plan["tests"]:
        lines.append(f"A plan within {fixed(plan['minutes_per_week'], 0)} minutes a week:")
        for test in plan["tests"]:
            at = test["time"][:16].replace("T", " ")
            lines.append(f"  {at}  {test['of']} {test['entry']}, {times(test['repeats'])}")
        lines.append(str(plan_line(numbers).striptags()))
    lines.append("Width of the flow range, mL/h, after:")
    for place in best_of_each(numbers)[:RANKED_SHOWN]:
        one = twin["next_tests"][place]
        now, then = fixed(one["width_now"], 0), fixed(one["expected_width"], 0)
        lines.append(
            f"  {now} to {then}  {words_of_test(one)} ({fixed(one['minutes'], 0)} minutes)"
        )
    much = how_much_line(numbers)
    return lines if much is None else [*lines, str(much.striptags())]


def _answer(twin: dict[str, Any]) -> list[str]:
    from reports.page.report import Report
    from reports.page.sections.change_over import changed_dosing, pump_and_dosing

    flow = twin["flow"]
    setting = flow["recommended"]
    if setting is None:
        reasons = " ".join(sentence(plain(reason)) for reason in twin["status_reasons"])
        lines = ["No setting recommended yet.", reasons]
        if twin["change_over"]:
            lines.append(f"The change-over goes on: {pump_and_dosing(Report(twin)).striptags()}.")
        return lines
    pump = twin["tank"]["pump"]
    decimals = step_decimals(pump["step"]) if pump else 0
    set_to, low, high = (fixed(setting[key], decimals) for key in ("set_to", "low", "high"))
    now, steps = flow["today"], flow["today"]["steps"]
    today = fixed(now["set_to"], decimals)
    dosing = str(changed_dosing(Report(twin)).striptags())
    also = f" and {dosing}" if dosing else ""
    if flow["planned"]:
        first = f"No reactor has run yet: plan for about {set_to} mL/h"
        first += f", to be reached in {steps} steps" if steps else ""
        first += f"; to begin, {dosing}" if dosing else ""
    elif now["action"] == "off":
        first = f"Leave the effluent pump off{also}, the first of {steps} steps to {set_to} mL/h"
    elif now["action"] == "leave":
        first = f"Leave the effluent pump at {fixed(flow['current'], decimals)} mL/h{also}"
    elif now["action"] == "start":
        first = f"Start the effluent pump at {today} mL/h{also}"
    else:
        current = fixed(flow["current"], decimals)
        verb = now["action"].capitalize()
        first = f"{verb} the effluent pump to {today} mL/h{also}; it is at {current} now"
    if steps and now["action"] != "off" and not flow["planned"]:
        first += f"; the first of {steps} steps to {set_to} mL/h"
    first += "."
    return [first, f"Range: {low} to {high} mL/h (9 in 10)."]


def _uptake(twin: dict[str, Any]) -> str:
    if twin["diagnostics"]["failures"]:
        return "Uptake: no estimate is shown, because the fit did not pass its own checks."
    if "alkalinity" in twin["withheld_figures"]:
        return "Uptake: no estimate is shown, because the log contradicts itself."
    numbers = Numbers(twin)
    parts = []
    for name in ("alkalinity", "calcium"):
        unit, path = twin["uptake"][name]["unit"], f"/uptake/{name}/now"
        if numbers.get(path) is None:
            continue
        parts.append(f"{name} {numbers.middle(path, unit)} {unit} ({numbers.span(path, unit)})")
    return f"Uptake: {Markup(listed(parts)).striptags()}."


def _sure(twin: dict[str, Any]) -> str:
    trust = (
        f"Trust in the model: {twin['trust']['level']}, because {listed(twin['trust']['reasons'])}."
    )
    chance, days = twin["flow"]["in_band_probability"], twin["flow"]["horizon_days"]
    how = "at that flow"
    if twin["change_over"]:
        plan = twin["change_over_plan"]
        chance, days, how = plan["probability"], plan["judged_days"], "by these steps"
    if chance is None:
        return trust
    word, stays = chance_sides(chance)
    share = 100 * (chance if stays else 1 - chance)
    count = ("at least " if share > 99 else "") + fixed(min(share, 99), 0)
    what = "Staying in the band" if stays else "Leaving the band"
    return f"{what} in the next {days} days {how}: {word} ({count} in 100). {trust}"


def contents_lines(inputs: Inputs, ended_days_ago: int | None = None) -> Iterator[str]:
    """What `uptake check` prints: what two faultless files hold, and what tells the fit nothing.

    Args:
        inputs: both files.
        ended_days_ago: how long before the report the log ends, where that is worth a word.
    """
    log = inputs.log
    span = f"{log.start:%Y-%m-%d} to {log.end:%Y-%m-%d}"
    yield f"{plain(log.name)}: {log.rows} rows, {span}, no faults"
    kinds = Counter(f"{r.of or r.sample} {r.parameter}" for r in log.readings)
    yield f"Readings: {len(log.readings)} ({_by_kind(kinds)})"
    actions = Counter(action.kind.replace("_", " ") for action in log.actions)
    yield f"Actions: {len(log.actions)}" + (f" ({_by_kind(actions)})" if actions else "")
    if log.rows_without_time:
        yield f"Rows without a time of day, taken as noon: {log.rows_without_time}"
    if log.date_order:
        yield f"Dates that do not begin with the year, read {log.date_order}"
    if log.rows_without_entry:
        number, where = len(log.rows_without_entry), row_ranges(log.rows_without_entry)
        yield f"Rows with nothing but a time or a note: {number} ({where})"
    flagged = sorted(log.flagged, key=lambda group: group[0].row)
    yield f"Flagged: {sum(map(len, flagged))}"
    for group in flagged[:FLAGGED_SHOWN]:
        rows = sorted({record.row for record in group})
        where = f"row {rows[0]}" if len(rows) == 1 else f"rows {row_ranges(rows)}"
        days = f", {len(group)} times" if len(group) > len(rows) else ""
        yield f"  {where}{days}: {plain('; '.join(group[0].flags))}"
    if len(flagged) > FLAGGED_SHOWN:
        yield f"  … and {sum(map(len, flagged[FLAGGED_SHOWN:]))} more"
    if remarks := list(unused(log, inputs.tank)):
        yield "Of no use to the estimate:"
    for remark in remarks[:FLAGGED_SHOWN]:
        yield f"  {words(remark, inputs.tank)}"
    if ended_days_ago is not None:
        yield f"The log ended {ended_days_ago} days ago: test again before you act on a report."


def _by_kind(kinds: Counter[str]) -> str:
    return ", ".join(f"{plain(kind)} {count}" for kind, count in sorted(kinds.items()))
