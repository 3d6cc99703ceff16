"""The lines that the commands print: the day sheet of the page, from the same twin."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from markupsafe import Markup

from estimator.errors import row_ranges
from estimator.fit.used import unused
from estimator.inputs.read import Inputs
from reports.blocks import Numbers
from reports.wording import date_words, fixed, plain, times
from reports.words.table import words


def terminal_lines(twin: dict[str, Any], page: str, twin_name: str) -> list[str]:
    """What stands before any setting; today's settings, the next test, the next report and how
    surely the band holds, the files written.

    Args:
        twin: the JSON twin.
        page, twin_name: paths of the two files.
    """
    from reports.page.sections.schedule import next_tests_line
    from reports.page.sections.sheet import begins_line, headline

    numbers = Numbers(twin)
    tests = next_tests_line(numbers)
    return [
        *alarm_lines(twin),
        _text(numbers.say("{day}: {what}.", day=begins_line(numbers), what=headline(numbers))),
        _rule_line(numbers),
        f"Next test: {_text(tests) if tests else 'none fits into the minutes given'}.",
        _again(numbers),
        f"Report: {page} and {twin_name}",
    ]


def _text(words: Markup) -> str:
    return plain(str(words.striptags()))


def alarm_lines(twin: dict[str, Any]) -> list[str]:
    """One line: what stands before any setting, worst first, and what to look at first."""
    numbers, told = Numbers(twin), []
    for at, alarm in numbers.each("/alarms"):
        odds = f" ({numbers.odds(f'{at}/chance').striptags()} in 100)"
        told.append(plain(alarm["what"]) + (odds if alarm["chance"] < 1.0 else ""))
    if not told:
        return []
    return [f"Check first: {'; '.join(told)}. {plain(twin['alarms'][0]['check_first'])}"]


def _rule_line(numbers: Numbers) -> str:
    """What a test has to read for nothing to be done; what to do else stands on the page."""
    from reports.page.sections.rule import RULE, deeds, figures, quiet_case
    from reports.page.sections.sheet import reports_at_once

    if numbers.get(RULE) is None:
        sooner = "; outside the band run the report at once" if reports_at_once(numbers) else ""
        return f"By what it reads: write it down{sooner}."
    at, case = quiet_case(numbers)
    return _text(
        numbers.say(
            "By what it reads: at {figures} {unit} {deeds}; else as the page's table says.",
            figures=figures(numbers, at),
            unit=numbers.get(f"{RULE}/unit"),
            deeds=Markup(", ").join(deeds(numbers, at, case)),
        )
    )


def _again(numbers: Numbers) -> str:
    """When to run the report again, and how surely the band holds until long after."""
    from reports.blocks import near_day
    from reports.page.sections.sheet import CHANCES, good_days, surely

    found = f"Run the report again on {_text(near_day(numbers.get('/plan/report_again')))}."
    if numbers.get(CHANCES) is None:
        return f"{found} How the band holds cannot be told, because {_untold(numbers.twin)}."
    return f"{found} The band holds {surely(numbers)}: {_text(good_days(numbers))}."


def _untold(twin: dict[str, Any]) -> str:
    """Why no figure is told."""
    if failures := twin["diagnostics"]["failures"]:
        return f"the fit did not pass its own checks: {'; '.join(failures)}"
    if "alkalinity" in twin["withheld_figures"]:
        return "the log contradicts itself"
    return "there is neither a reactor nor a solution to hold it with"


RANKED_SHOWN = 6
FLAGGED_SHOWN = 20


def next_lines(twin: dict[str, Any]) -> list[str]:
    """What `uptake next` prints: the schedule, what it serves, and the best test of each kind."""
    from reports.blocks import near_day
    from reports.figures.captions import best_of_each
    from reports.page.sections.next_tests import floor_line, words_of_test, worth_line

    numbers = Numbers(twin)
    until = _text(near_day(numbers.get("/plan/report_again")))
    minutes = fixed(twin["plan"]["minutes_per_week"], 0)
    lines = [
        *alarm_lines(twin),
        f"Tests until the next report on {until}, within {minutes} minutes a week:",
        *_schedule_lines(numbers),
    ]
    if not twin["next_tests"]:
        return [*lines, f"No test can be weighed, because {_untold(twin)}."]
    lines.append(_text(worth_line(numbers)))
    lines.append("For comparison, what each way to test would leave of the flow range, mL/h:")
    for place in best_of_each(numbers)[:RANKED_SHOWN]:
        one = twin["next_tests"][place]
        now, then = fixed(one["width_now"], 0), fixed(one["expected_width"], 0)
        lines.append(
            f"  {now} to {then}  {words_of_test(one)} ({fixed(one['minutes'], 0)} minutes)"
        )
    floor = floor_line(numbers)
    return lines if floor is None else [*lines, _text(floor)]


def _schedule_lines(numbers: Numbers) -> list[str]:
    """One line for each test, with what it is for."""
    from reports.blocks import near_moment
    from reports.page.sections.schedule import SERVES, TESTS, what_is_tested

    return [
        f"  {_text(near_moment(test['time']))}  {_text(what_is_tested(test))}, "
        f"{times(test['repeats'])} ({fixed(test['minutes'], 0)} min), to {SERVES[test['serves']]}"
        for _, test in numbers.each(TESTS)
    ] or ["  none fits"]


def contents_lines(inputs: Inputs, ended_days_ago: int | None = None) -> Iterator[str]:
    """What `uptake check` prints: what two faultless files hold, and what tells the fit nothing.

    Args:
        inputs: both files.
        ended_days_ago: how long before the report the log ends, where that is worth a word.
    """
    log = inputs.log
    span = f"{date_words(log.start)} to {date_words(log.end)}"
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
