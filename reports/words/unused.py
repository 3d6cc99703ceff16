"""Words for what of both files tells the fit nothing."""

from __future__ import annotations

from estimator.errors import row_ranges
from estimator.inputs.tank import Tank
from reports.wording import listed, plain
from reports.words.values import Values, Words


def _names(values: Values) -> str:
    return listed([plain(name) for name in values["names"]])


def _solution(values: Values, tank: Tank) -> str:
    return (
        f"no dose of {_names(values)} is in the log; log what you dose, or the tank seems to use "
        "less than it does"
    )


def _water(values: Values, tank: Tank) -> str:
    return f"no water change with {_names(values)} is in the log"


def _reading(why: str) -> Words:
    def words(values: Values, tank: Tank) -> str:
        rows = values["rows"]
        where = f"row{'s'[: len(rows) - 1]} {row_ranges(rows)}"
        return f"{plain(values['of'])} {values['parameter']}, {where}: {why}"

    return words


WORDS: dict[str, Words] = {
    "solution_never_dosed": _solution,
    "water_never_changed": _water,
    "flow_never_logged": (
        "the tank file has a reactor, but no flow of its pump is in the log; log the flow, or it "
        "counts as off"
    ),
    "reading_without_place": _reading("kept for your record only"),
    "reading_of_unused_water": _reading("no water change with it is in the log"),
    "reading_of_unstated_reference": _reading("the tank file states no such value of it"),
    "nitrate_read_once": _reading("only its change tells something; read it again"),
}
