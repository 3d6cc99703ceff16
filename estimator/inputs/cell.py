"""Numbers as keepers write them; whether a mark means thousands is never guessed."""

from __future__ import annotations

import math
import re

_LONGEST_NUMBER = 40
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:[.,]\d{3})+", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)


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
