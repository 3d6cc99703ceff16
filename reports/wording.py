"""How numbers, chances and names are put into words: one scale, one way to print a number."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from datetime import date

from markupsafe import Markup

DECIMALS = {
    "dKH": 2,
    "meq/L": 3,
    "mmol/L": 3,
    "mg/L CaCO3": 1,
    "mg/L": 0,
    "g/kg": 1,
    "SG": 4,
    "mS/cm": 1,
    "C": 1,
    "F": 1,
    "NBS": 2,
    "dKH/day": 2,
    "meq/L/day": 3,
    "mmol/L/day": 3,
    "mg/L CaCO3/day": 1,
    "mg/L/day": 1,
    "mL/h": 0,
    "mL/day": 0,
    "mL": 0,
    "L": 0,
    "gal": 1,
    "g/day": 1,
    "kg": 2,
    "%": 1,
}
"""Decimals printed for each unit."""

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")

VERY_LIKELY = 0.9
LIKELY = 2 / 3

SCALE = (
    "“Very likely” means at least 9 in 10, “likely” at least 2 in 3, "
    "“about even” between 1 in 3 and 2 in 3."
)


def plain(text: str) -> str:
    """`text` with each control, bidirectional or other invisible mark turned into a blank."""
    return "".join(" " if unicodedata.category(mark)[0] in "CZ" else mark for mark in text).strip()


def user_text(text: str) -> Markup:
    """Text from the keeper's files, escaped and kept from turning the page around."""
    return Markup("<bdi>{}</bdi>").format(plain(text))


def date_words(day: date) -> str:
    """ "9 Apr 2026": a date as everything that a keeper reads has it."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def chance_word(chance: float) -> str:
    """The word for a chance of one half or more; the scale is `SCALE`."""
    if chance >= VERY_LIKELY:
        return "very likely"
    return "likely" if chance >= LIKELY else "about even"


def chance_sides(chance: float) -> tuple[str, bool]:
    """(word, whether it is said of the event itself).

    Below 1 in 3 the word is for the opposite: people read "unlikely" as advice against
    (Smithson et al. 2011, on negative phrasing).
    """
    if chance < 1 - LIKELY:
        return chance_word(1 - chance), False
    return chance_word(chance), True


def nearest_five(chance: float) -> tuple[str, float]:
    """("", "under " or "over ", count in 100 to the nearest 5, from 5 to 95).

    Draws of a model cannot tell more, nor none and all.
    """
    shown = 5.0 * round(20.0 * chance)
    bound = "under " if shown < 5.0 else "over " if shown > 95.0 else ""
    return bound, min(max(shown, 5.0), 95.0)


def times(count: int) -> str:
    """ "once", "twice", "3 times"."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def step_decimals(step: float) -> int:
    """Decimals needed to print multiples of `step`, at most 3."""
    for decimals in range(3):
        if math.isclose(round(step, decimals), step, rel_tol=1e-9):
            return decimals
    return 3


def needed_decimals(value: float, most: int) -> int:
    """Decimals needed to print `value` as it is, at most `most`."""
    return next((d for d in range(most) if abs(round(value, d) - value) < 1e-9), most)


def fixed(value: float, decimals: int) -> str:
    """`value` at so many decimals, with a true minus sign, and no sign on zero."""
    # A large whole number has digits that no float holds.
    exact = isinstance(value, int) and not decimals
    text = str(abs(value)) if exact else f"{abs(value):.{decimals}f}"
    return text if value >= 0 or float(text) == 0 else "−" + text


def listed(items: Sequence[str], word: str = "and") -> str:
    """ "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {word} {items[-1]}"


def sentence(text: str) -> str:
    """`text` with a capital at the start and a full stop at the end."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?", "!")) else text + "."
