"""The hint for a misspelled key: never one of another meaning.

A key names a thing and, at its end, a unit. Spelling alone would send `water_volume_gal` to
`water_volume_l`, and a keeper who follows it states gallons as litres.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from estimator.inputs.text import name_list, shorten

_UNITS = {
    "l": "l",
    "litre": "l",
    "litres": "l",
    "liter": "l",
    "liters": "l",
    "ml": "ml",
    "gal": "gal",
    "gals": "gal",
    "gallon": "gal",
    "gallons": "gal",
    "kg": "kg",
    "g": "g",
    "gram": "g",
    "grams": "g",
    "mg": "mg",
    "lb": "lb",
    "lbs": "lb",
    "pct": "pct",
    "percent": "pct",
    "ppm": "ppm",
    "ppt": "ppt",
    "psu": "psu",
    "sg": "sg",
    "c": "c",
    "f": "f",
    "h": "h",
    "hour": "h",
    "min": "min",
    "d": "d",
    "day": "d",
    "meq": "meq",
    "mmol": "mmol",
    "mol": "mol",
    "dkh": "dkh",
    "ms": "ms",
    "cm": "cm",
    "oz": "oz",
    "per": "per",
    "us": "",
    "cc": "ml",
}
"""Words at the end of a key that name its unit, in one spelling; gallons are those of the US."""
_NEAR = 0.75
"""Likeness from which one word of a key is taken for a slip of another."""


def key_hint(key: str, known: Iterable[str]) -> str:
    """`did you mean x? Accepted: x, y`; only the second half where no key says the same.

    Where the key states no unit, every key of that name is offered, each with its unit.
    """
    names = list(known)
    words, unit = _parts(key)
    alike = [(name, _likeness(words, _parts(name)[0])) for name in names]
    best = max((likeness for _, likeness in alike), default=0.0)
    meant = [
        name
        for name, likeness in alike
        if likeness == best and best >= _NEAR and (not unit or _parts(name)[1] == unit)
    ]
    hint = f"did you mean {' or '.join(map(shorten, meant))}? " if meant else ""
    return f"{hint}Accepted: {name_list(names)}"


def _parts(key: str) -> tuple[list[str], list[str]]:
    """(words of what it is, words of its unit)."""
    words = shorten(key).casefold().replace("-", "_").split("_")
    unit: list[str] = []
    while len(words) > 1 and words[-1] in _UNITS:
        unit.insert(0, _UNITS[words.pop()])
    return words, [word for word in unit if word]


def _likeness(words: list[str], others: list[str]) -> float:
    """From 0 to 1: of the least alike pair of words, one for one; 0 where their numbers differ."""
    if len(words) != len(others):
        return 0.0
    pairs = zip(words, others, strict=True)
    return min(difflib.SequenceMatcher(None, *pair).ratio() for pair in pairs)
