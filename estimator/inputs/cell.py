"""What one cell of a log may hold: a time, a number."""

from __future__ import annotations

import math
import re
from datetime import datetime

_LONGEST_NUMBER = 40
_TIME = re.compile(
    r"(?P<year>\d{4})-(?P<month>\d{2})-(?P<day>\d{2})"
    r"(?:[T ](?P<hour>\d{2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d+))?)?"
    r" ?(?P<zone>Z|[+-]\d{2}(?::?\d{2})?)?)?",
    re.ASCII | re.IGNORECASE,
)
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:[.,]\d{3})+", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_TIME_RULE = (
    "write ISO 8601, for example 2025-03-04 18:30 or, where the time of day is not known, "
    "2025-03-04"
)


def read_time(text: str) -> tuple[datetime, str | None]:
    """The wall-clock time that a cell holds, and the zone written with it.

    The zone is the offset from UTC as `+HHMM`, "" where none is written; None where only a date
    is written, which means noon.

    Raises:
        ValueError: with the rule that the text breaks.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError(_TIME_RULE)
    year, month, day = int(match["year"]), int(match["month"]), int(match["day"])
    hour, minute = int(match["hour"] or 12), int(match["minute"] or 0)
    second, microsecond = (
        int(match["second"] or 0),
        int((match["fraction"] or "").ljust(6, "0")[:6]),
    )
    try:
        time = datetime(year, month, day, hour, minute, second, microsecond)
    except ValueError as error:
        raise ValueError(f"there is no such time ({error}); {_TIME_RULE}") from error
    zone = (match["zone"] or "").upper().replace(":", "").replace("Z", "+00")
    return time, None if match["hour"] is None else zone and zone.ljust(5, "0")


def read_number(text: str, separator: str, decimal_commas: bool) -> float:
    """The number that a cell holds.

    Args:
        text: the cell.
        separator: of the file's columns; it decides which decimal marks are allowed.
        decimal_commas: whether any number of the file is written with one.

    Raises:
        ValueError: with the rule that the text breaks.
    """
    if _may_be_thousands(text, separator, decimal_commas):
        raise ValueError("may be thousands or decimals; write it without a thousands separator")
    if is_decimal_comma(text):
        if separator == ",":
            raise ValueError(
                "write a decimal point in a file whose columns are separated by commas"
            )
        text = text.replace(",", ".")
    is_number = len(text) <= _LONGEST_NUMBER and _NUMBER.fullmatch(text)
    if not is_number or not math.isfinite(float(text)):
        raise ValueError(
            "write one plain number such as 8.2, with its unit in the unit column or header"
        )
    return float(text)


def is_decimal_comma(text: str) -> bool:
    """Whether a cell holds a number with a decimal comma, or one that may be meant so."""
    return _DECIMAL_COMMA.fullmatch(text) is not None


def _may_be_thousands(text: str, separator: str, decimal_commas: bool) -> bool:
    """Whether `1,234` or `1.234` could mean either a thousand or a fraction here."""
    if not _THOUSANDS.fullmatch(text):
        return False
    if "," in text:
        return separator != ";" or text.count(",") > 1 or "." in text
    return decimal_commas or text.count(".") > 1
