"""The index of many tanks: who needs the keeper first.

`build_index` gives plain dicts, lists, strings and numbers, as `twin.build_twin` does for one tank;
the page and the lines on the terminal are made from it alone.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from urllib.parse import quote

from markupsafe import Markup

from estimator.advice.gravity import GRAVITY
from reports.blocks import Numbers, Table, Text, decimals_of, pointer, say, short_day
from reports.many import Status, TankOutcome
from reports.output import Json
from reports.template import fill_page
from reports.wording import LIKELY, SCALE, listed, needed_decimals, plain, user_text

INDEX_SCHEMA_VERSION = 1
FIRST, UNREAD, NO_SETTING, STEADY = "first", "unread", "no_setting", "steady"
"""Groups, in the order in which they need the keeper. A tank that was not studied comes before
those that merely lack a setting: nothing at all is known of it."""
GROUPS = (FIRST, UNREAD, NO_SETTING, STEADY)

_FACTS = ("tank", "as_of", "trust", "plan", "last_reading", "trend", "level_in_band_probability")
MOST_SHOWN = 3
"""Faults of one tank on the page, and tanks named on one line of the terminal."""
LINE_LENGTH = 160


def build_index(outcomes: Iterable[TankOutcome], seed: int) -> Json:
    """All tanks in order of need, whatever the order in which they were done.

    Within a group tanks with an alarm come first, the gravest first; then the tank whose alkalinity
    is least likely in its band now, or is to be in it on the fewest days with its plan followed,
    whichever is the smaller; then by the log's name.
    """
    ranked = sorted(map(_entry, outcomes), key=_rank)
    found = Counter(entry["status"] for entry in ranked)
    return {
        "schema_version": INDEX_SCHEMA_VERSION,
        "seed": seed,
        "counts": {"tanks": len(ranked)} | {status: found[status] for status in Status},
        "tanks": ranked,
    }


def index_json(index: Json) -> str:
    """The index as text: sorted keys, no NaN, a final newline."""
    return json.dumps(index, sort_keys=True, allow_nan=False, indent=1) + "\n"


def render_index(index: Json) -> str:
    """The page: one file, no script, no outside request, every text escaped."""
    numbers = Numbers(index)
    sections = [
        (group.replace("_", "-"), shown, table)
        for group, shown in _SHOWN.items()
        if (table := _table(numbers, group, shown)).rows
    ]
    return fill_page(
        "reports",
        "index.html.jinja",
        counts=_counts(index["counts"]),
        sections=sections,
        scale=SCALE,
    )


def summary_lines(index: Json, page: str, twin: str) -> list[str]:
    """At most eight lines: counts, who comes first, who has no setting, faults, files written."""
    lines = [_counts(index["counts"])]
    for group, words in ((FIRST, "Look first at"), (NO_SETTING, "No flow recommended yet")):
        names = [
            f"{_name(entry)} ({plain(entry['log'])}{_mark(entry)})"
            for entry in index["tanks"]
            if entry["group"] == group
        ]
        more = f" and {len(names) - MOST_SHOWN} more" if len(names) > MOST_SHOWN else ""
        if names:
            lines.append(_cut(f"{words}: {', '.join(names[:MOST_SHOWN])}{more}"))
    unread = [entry for entry in index["tanks"] if entry["group"] == UNREAD]
    for entry in unread[:MOST_SHOWN]:
        others = len(entry["reasons"]) - 1
        also = f" (and {others} more)" if others else ""
        lines.append(_cut(f"Not studied: {plain(entry['reasons'][0])}") + also)
    if len(unread) > MOST_SHOWN:
        lines.append(f"Not studied: {len(unread) - MOST_SHOWN} more, listed in the index")
    return [*lines, f"Index: {page} and {twin}"]


def _entry(outcome: TankOutcome) -> Json:
    group, need = _need(outcome)
    return {
        "log": readable(outcome.log),
        "status": outcome.status,
        "reasons": list(outcome.messages),
        "group": group,
        "need": need,
        "report": readable(outcome.page),
        "twin": readable(outcome.twin),
        "link": quote(os.fsencode(outcome.page), safe=""),
        "alarms": outcome.facts.get("alarms", []),
    } | {key: outcome.facts.get(key) for key in _FACTS}


def readable(name: str) -> str:
    """A file name as text that can be encoded: bytes that are not UTF-8 become marks."""
    return os.fsencode(name).decode("utf-8", "replace")


def _need(outcome: TankOutcome) -> tuple[str, float | None]:
    """The group, and the smaller of the chance of alkalinity in its band now and the share of days
    in it to come."""
    if not outcome.facts:
        return UNREAD, None
    facts = outcome.facts
    chances = (facts["level_in_band_probability"], facts["plan"]["good_days"])
    need = min((chance for chance in chances if chance is not None), default=None)
    # What a failed fit lacks is told with the reasons of a setting that is withheld.
    pressing = [alarm for alarm in facts["alarms"] if alarm["about"] != "fit"]
    if pressing or (need is not None and need < LIKELY):
        return FIRST, need
    return (STEADY if outcome.status == Status.RECOMMENDED else NO_SETTING), need


def _rank(entry: Json) -> tuple[int, int, bool, float, str]:
    need, alarms = entry["need"], entry["alarms"]
    # The first alarm of a tank is its gravest.
    grave = GRAVITY.index(alarms[0]["about"]) if alarms else len(GRAVITY)
    return GROUPS.index(entry["group"]), grave, need is not None, need or 0.0, entry["log"]


def _counts(counts: Json) -> str:
    tanks = counts["tanks"]
    parts = [
        (counts[Status.RECOMMENDED], "with a setting"),
        (counts[Status.WITHHELD], "without one yet"),
        (counts[Status.BAD_INPUT] + counts[Status.FAILED], "not studied"),
    ]
    found = ", ".join(f"{count} {words}" for count, words in parts if count)
    return f"{tanks} tank{'s' if tanks != 1 else ''}: {found}."


def _name(entry: Json) -> str:
    """The tank's name, or that of its log where it has none that shows."""
    return plain(entry["tank"] or "") or plain(entry["log"]) or "no name"


def _mark(entry: Json) -> str:
    """What the alarms of a tank are about, for one line."""
    return f": {listed([alarm['about'] for alarm in entry['alarms']])}" if entry["alarms"] else ""


def _cut(line: str) -> str:
    return line if len(line) <= LINE_LENGTH else line[: LINE_LENGTH - 1] + "…"


def _table(numbers: Numbers, group: str, shown: _Group) -> Table:
    """The tanks of one group; the columns are those of `_COLUMNS` that the group names."""
    columns = [_COLUMNS[head] for head in shown.columns]
    places = [i for i, entry in enumerate(numbers.get("/tanks")) if entry["group"] == group]
    rows = [[column.cell(numbers, pointer("tanks", i)) for column in columns] for i in places]
    right = frozenset(i for i, column in enumerate(columns) if column.numeric)
    return Table(shown.caption, shown.columns, rows, right)


def _tank(numbers: Numbers, at: str) -> Markup:
    entry = numbers.get(at)
    name = user_text(_name(entry))
    if entry["link"]:
        name = say('<a href="{}">{}</a>', entry["link"], name)
    if plain(entry["log"]) == _name(entry):
        return name
    return say("{}<br><small>{}</small>", name, user_text(entry["log"]))


def _today(numbers: Numbers, at: str) -> Text:
    return numbers.words(f"{at}/plan/today")


def _why(numbers: Numbers, at: str) -> Text:
    """The gravest alarm with its chance, and how many more there are; else one phrase."""
    alarms = numbers.get(f"{at}/alarms")
    if not alarms:
        return numbers.words(f"{at}/plan/why")
    more = say("<br><small>and {} more</small>", len(alarms) - 1) if len(alarms) > 1 else ""
    first = f"{at}/alarms/0"
    odds = numbers.say(" ({at/chance:odds} in 100)", at=first) if alarms[0]["chance"] < 1 else ""
    return numbers.say(
        "<strong>{at/what:words}</strong>{odds}{more}", at=first, odds=odds, more=more
    )


def _faults(numbers: Numbers, at: str) -> Markup:
    reasons = numbers.get(f"{at}/reasons")
    more = len(reasons) - MOST_SHOWN
    shown: list[Text] = [user_text(reason) for reason in reasons[:MOST_SHOWN]]
    if more > 0:
        shown.append(f"… and {more} more")
    return Markup("<br>").join(shown)


def _last_reading(numbers: Numbers, at: str) -> Text:
    reading = numbers.get(f"{at}/last_reading")
    if reading is None:
        return "none"
    value = f"{at}/last_reading/value"
    fine = needed_decimals(reading["value"], decimals_of(reading["unit"]))
    return numbers.say(
        "{value:{fine}} {unit}, {on}",
        value=value,
        fine=fine,
        unit=reading["unit"],
        on=short_day(reading["time"]),
    )


def _trend(numbers: Numbers, at: str) -> Text:
    trend = numbers.get(f"{at}/trend")
    if trend is None:
        return "not known"
    fine = max(decimals_of(trend["unit"]) - 1, 0)
    return numbers.say(
        "{at/per_week:signed {fine}} {unit}", at=f"{at}/trend", fine=fine, unit=trend["unit"]
    )


def _days(numbers: Numbers, at: str) -> Text:
    """Days in ten within the band, with the plan followed."""
    at = f"{at}/plan/good_days"
    return "not known" if numbers.get(at) is None else numbers.days_in_ten(at)


@dataclass(frozen=True)
class _Column:
    """How the cell of one tank is made, from the index and the tank's place in it."""

    cell: Callable[[Numbers, str], Text]
    numeric: bool = False


_COLUMNS = {
    "Tank": _Column(_tank),
    "Today": _Column(_today),
    "Why": _Column(_why),
    "What is wrong": _Column(_faults),
    "Last reading": _Column(_last_reading),
    "Trend, a week": _Column(_trend, numeric=True),
    "Days in ten": _Column(_days, numeric=True),
    "Report again": _Column(lambda n, at: short_day(n.get(f"{at}/plan/report_again"))),
}
_ALL = tuple(head for head in _COLUMNS if head != "What is wrong")
_CHANCES = (
    "What to do today and why; the tank's alkalinity as last read and as it goes; days in ten to "
    "come within the band if the tank's plan is followed"
)


@dataclass(frozen=True)
class _Group:
    """How a group is shown; the columns are keys of `_COLUMNS`."""

    title: str
    lead: str
    caption: str
    columns: tuple[str, ...]


_SHOWN = {
    FIRST: _Group(
        "Look at these first",
        "Something has to be checked before any setting is changed, or alkalinity is not likely to "
        "be in its band, or to be in it on most days to come.",
        _CHANCES,
        _ALL,
    ),
    UNREAD: _Group(
        "Not studied",
        "Nothing is known of these tanks; a former report of theirs was left as it was.",
        "Faults found",
        ("Tank", "What is wrong"),
    ),
    NO_SETTING: _Group(
        "No flow recommended yet",
        "The log cannot say yet what flow the tank needs; what to do meanwhile is safe without it.",
        _CHANCES,
        _ALL,
    ),
    STEADY: _Group(
        "Nothing pressing",
        "Alkalinity is likely in its band, and to stay there if the tank's plan is followed.",
        _CHANCES,
        _ALL,
    ),
}
