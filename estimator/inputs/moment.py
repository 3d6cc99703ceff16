"""Times as keepers write them: ISO 8601, and dates that begin with the day or the month."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime

DAY_FIRST, MONTH_FIRST = "day first", "month first"
DATE_ORDERS = (DAY_FIRST, MONTH_FIRST)

_CLOCK = (
    r"(?:[T ] ?(?P<hour>\d{1,2})"
    r"(?::(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d+))?)?)?"
    r"(?: ?(?P<half>[ap])\.?m\.?)? ?(?P<zone>Z|[+-]\d{2}(?::?\d{2})?)?)?"
)
_ISO = re.compile(
    r"(?P<year>\d{4})-(?P<month>\d{2})-(?P<day>\d{2})" + _CLOCK, re.ASCII | re.IGNORECASE
)
_LOCAL = re.compile(
    r"(?P<one>\d{1,2})(?P<mark>[/.-])(?P<two>\d{1,2})(?P=mark)(?P<year>\d{4})" + _CLOCK,
    re.ASCII | re.IGNORECASE,
)
_TIME_RULE = (
    "write ISO 8601, for example 2025-03-04 18:30 or, where the time of day is not known, "
    "2025-03-04"
)
_HOUR_RULE = "an hour has two digits and its minutes (09:30), or am or pm behind it"
_HOW_TO_TELL = (
    f'or say which comes first, the day or the month: dates = "{DAY_FIRST}" (or "{MONTH_FIRST}") '
    f"below [log] in the tank file, or time [{DAY_FIRST}] in the header"
)
_HINTS = {
    DAY_FIRST: re.compile(r"day first|d+([/.-])m+\1y+", re.IGNORECASE),
    MONTH_FIRST: re.compile(r"month first|m+([/.-])d+\1y+", re.IGNORECASE),
}


class UnclearDate(ValueError):
    """A date that may begin with the day or the month."""


def date_order_named(text: str) -> str | None:
    """The order that a header names, as `day first` or `dd/mm/yyyy`; None where it is none."""
    named = (order for order, hint in _HINTS.items() if hint.fullmatch(" ".join(text.split())))
    return next(named, None)


def shown_date_orders(texts: Iterable[str]) -> set[str]:
    """The orders that the dates of a whole log show: 25/03/2026 can only have its day first."""
    shown = set()
    for text in texts:
        local = _LOCAL.fullmatch(text)
        if local is not None:
            if int(local["one"]) > 12:
                shown.add(DAY_FIRST)
            if int(local["two"]) > 12:
                shown.add(MONTH_FIRST)
    return shown


def read_time(text: str, order: str = "") -> tuple[datetime, str | None]:
    """The wall-clock time that a cell holds, and the zone written with it.

    The zone is the offset from UTC as `+HHMM`, "" where none is written; None where only a date
    is written, which means noon.

    Args:
        text: the cell.
        order: one of `DATE_ORDERS`, or "" where it is not known.

    Raises:
        UnclearDate: day and month cannot be told apart.
        ValueError: with the rule that the text breaks.
    """
    match = _ISO.fullmatch(text) or _LOCAL.fullmatch(text)
    if match is None:
        raise ValueError(_TIME_RULE)
    if match.re is _ISO:
        year, month, day = int(match["year"]), int(match["month"]), int(match["day"])
    else:
        year, month, day = _local_date(match, order)
    half, hour = (match["half"] or "").lower(), int(match["hour"] or 12)
    is_short = match["minute"] is None or (match.re is _ISO and len(match["hour"] or "") < 2)
    if match["hour"] is not None and not half and is_short:
        raise ValueError(f"{_TIME_RULE}; {_HOUR_RULE}")
    if half:
        if not 1 <= hour <= 12:
            raise ValueError(f"hours with am and pm run from 1 to 12; {_TIME_RULE}")
        hour = hour % 12 + 12 * (half == "p")
    second, fraction = int(match["second"] or 0), (match["fraction"] or "").ljust(6, "0")[:6]
    try:
        time = datetime(year, month, day, hour, int(match["minute"] or 0), second, int(fraction))
    except ValueError as error:
        raise ValueError(f"there is no such time ({error}); {_TIME_RULE}") from error
    zone = (match["zone"] or "").upper().replace(":", "").replace("Z", "+00")
    return time, None if match["hour"] is None else zone and zone.ljust(5, "0")


def _local_date(match: re.Match[str], order: str) -> tuple[int, int, int]:
    """(year, month, day) of a date that begins with the day or the month."""
    one, two = int(match["one"]), int(match["two"])
    if not order and one != two:
        raise UnclearDate(f"{_TIME_RULE}; {_HOW_TO_TELL}")
    day, month = (two, one) if order == MONTH_FIRST else (one, two)
    return int(match["year"]), month, day
