"""The reference of the two input files, made from what their readers accept.

One source for the README's section and for the comments of a new tank file: limits and defaults are
the readers' own (`estimator.inputs`), the words stand in `reports.words.keys`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from estimator.inputs.actions import ACTIONS
from estimator.inputs.asked import AskedKey, asked_keys
from estimator.inputs.columns import ENTRY_UNITS, LONG_COLUMNS, REQUIRED_COLUMNS
from estimator.inputs.parameters import ENTRY_WORDS, PARAMETERS, SAMPLED_PLACES
from estimator.units import UNIT_ALIASES
from reports.wording import listed
from reports.words.keys import COLUMNS, ENTRIES, KEYS, TABLES, KeyWords

BEGIN = "<!-- The reference: made by tests/update_reference.py from what the readers accept. -->"
END = "<!-- End of the reference. -->"

_OF = {"solutions": "a solution", "waters": "a water", "kits": "a kit", "reactor": "the reactor"}
_UNKNOWN = KeyWords("", "")
_PLAIN_RANGES = ("above 0", "0 or more")


def reference() -> str:
    """Both references as Markdown, folded, between the two marks; ends with a line ending."""
    parts = [
        BEGIN,
        *_folded("Every key of the tank file", _tank_lines()),
        "",
        *_folded("Every column and entry of the log", _log_lines()),
        END,
    ]
    return "\n".join(parts) + "\n"


def comment(path: str) -> str:
    """What a key is, on one line: meaning, unit, default and range.

    Args:
        path: dotted path of the key, with NAME for what the keeper chooses.
    """
    key, words = asked_keys()[path], KEYS.get(path, _UNKNOWN)
    limits = _range(key)
    told = [words.about, words.unit and f"in {words.unit}"]
    told += [limits] if limits not in _PLAIN_RANGES else []
    if key.default is not None:
        told.append(f"{_default(key)} without it")
    return "; ".join(part for part in told if part)


def _folded(title: str, lines: Iterable[str]) -> Iterator[str]:
    yield from ("<details>", f"<summary>{title}</summary>", "", *lines, "", "</details>")


def _tank_lines() -> Iterator[str]:
    yield "Whatever is not marked as needed may be left out. Text stands in quotation marks."
    for table, about in TABLES.items():
        yield from ("", f"**`[{table}]`**: {about}.", "")
        rows = (
            (f"`{key.name}`", words.unit, _default(key), _range(key), words.about)
            for path, words in KEYS.items()
            if (key := asked_keys()[path]).table == table
        )
        yield from _table(("key", "unit", "without it", "range", "meaning"), rows)


def _default(key: AskedKey) -> str:
    if key.required:
        return "needed"
    return f"{key.default:g}" if isinstance(key.default, float) else key.default or ""


def _range(key: AskedKey) -> str:
    least, above = key.limits.get("at_least", -math.inf), key.limits.get("above", -math.inf)
    most = key.limits.get("at_most", math.inf)
    if not math.isfinite(max(least, above)):
        return ""
    low = f"above {above:g}" if above > least else f"{least:g}"
    if math.isinf(most):
        return low if above > least else f"{low} or more"
    high = f"{most:.0f}" if most >= 1000 else f"{most:.4g}"
    return f"{low}, at most {high}" if above > least else f"{low} to {high}"


def _log_lines() -> Iterator[str]:
    yield "The columns, in any order:"
    yield ""
    rows = (
        (f"`{name}`", "yes" if name in REQUIRED_COLUMNS else "", COLUMNS.get(name, ""))
        for name in LONG_COLUMNS
    )
    yield from _table(("column", "needed", "holds"), rows)
    yield ""
    yield "Readings. Outside the usual range a value is kept and flagged, outside the possible one"
    yield "it is refused:"
    yield ""
    head = ("entry", "of", "units", "usual in the tank", "possible", "meaning")
    yield from _table(head, (_reading(name) for name in ENTRY_UNITS if name in PARAMETERS))
    yield ""
    yield "What was done:"
    yield ""
    done = ("entry", "of", "units", "value", "meaning")
    yield from _table(done, (_action(name) for name in ENTRY_UNITS if name in ACTIONS))


def _reading(name: str) -> tuple[str, ...]:
    parameter = PARAMETERS[name]
    places = [f"`{place}`" for place in SAMPLED_PLACES if place in parameter.samples]
    places += [f"a {sample}" for sample in ("water", "reference") if sample in parameter.samples]
    words = [f"`{word}`" for word, (meant, _) in ENTRY_WORDS.items() if meant == name]
    units = _units(parameter.units)
    if not parameter.default_unit and len(parameter.units) > 1:
        units += "; written, or that of the kit or of the band"
    unit = next(iter(parameter.units))
    return (
        f"`{name}`" + (f" ({', '.join(words)})" if words else ""),
        listed(places, "or"),
        units,
        parameter.range_text(parameter.plausible, unit),
        parameter.range_text(parameter.possible, unit),
        ENTRIES.get(name, ""),
    )


def _units(accepted: Iterable[str]) -> str:
    """Accepted units with their other spellings."""
    spelt = {unit: [alias for alias, of in UNIT_ALIASES if of == unit] for unit in accepted}
    named = [f"{unit} ({', '.join(also)})" if also else unit for unit, also in spelt.items()]
    return listed(named, "or")


def _action(name: str) -> tuple[str, ...]:
    kind = ACTIONS[name]
    value = "needed" if kind.value_needed else "may be blank" if kind.units else "blank"
    return f"`{name}`", _OF.get(kind.of, ""), _units(kind.units), value, ENTRIES.get(name, "")


def _table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> Iterator[str]:
    cells = tuple(head)
    yield f"| {' | '.join(cells)} |"
    yield "|" + "---|" * len(cells)
    for row in rows:
        yield f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |"
