"""A tank file as text, each key with what it means beside it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from estimator.inputs.asked import NAME, asked_keys
from reports.reference import comment
from reports.words.keys import KEYS, TABLES

Value = str | float
Document = Mapping[str, Mapping[str, Value]]
"""Keys and values by the dotted path of their table, such as `kits.drops`."""

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_NAMED = ("kits", "solutions", "water", "reference")
_KEY_WIDTH = 36


def tank_text(document: Document) -> str:
    """The tank file: each table with its meaning, each key with its unit, range and default.

    Keys of the tank and of the reactor that are not stated stand there as comments.
    """
    return "\n".join(_lines(document)) + "\n"


def _lines(document: Document) -> Iterator[str]:
    yield "# A tank for `uptake`. Times are the tank's own clock. A line that begins with # is a"
    yield "# comment: take the # away to state what the line holds."
    for table, keys in document.items():
        general = _general(table)
        yield from ("", f"# {TABLES[general]}", f"[{_header(table)}]")
        for key, value in keys.items():
            yield _line(f"{key} = {_toml(value)}", f"{general}.{key}")
        if table in ("tank", "reactor"):
            for path in KEYS:
                parent, _, key = path.rpartition(".")
                if parent == table and key not in keys:
                    usual = asked_keys()[path].default
                    yield _line(f"# {key} = {'' if usual is None else _toml(usual)}", path)


def _line(text: str, path: str) -> str:
    return f"{text:{_KEY_WIDTH}} # {comment(path)}"


def _general(table: str) -> str:
    """The path of a table in the reference."""
    kind, _, _ = table.partition(".")
    return f"{kind}.{NAME}" if kind in _NAMED else table


def _header(table: str) -> str:
    kind, dot, name = table.partition(".")
    return table if not dot or _BARE.fullmatch(name) else f"{kind}.{_toml(name)}"


def _toml(value: Value) -> str:
    if not isinstance(value, str):
        return f"{value:.10g}"
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
