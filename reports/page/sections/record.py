"""All readings, the method, and where the report comes from."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from reports.blocks import Block, Folded, Table, Text, moment, say
from reports.page.report import Report, section
from reports.page.sections.method import method_blocks
from reports.page.sections.trust import ENTRY_HEAD, entry_cells
from reports.wording import user_text

MOST_ROWS = 200
"""Readings listed on the page; the twin holds them all."""


def _answer(n: Report) -> Text:
    return n.say("{/inputs/readings} readings, {/inputs/actions} actions")


@section("record", "Readings, method and provenance", _answer)
def record_section(n: Report) -> Iterator[Block]:
    """All readings, the method, and where the report comes from."""
    yield Folded("All readings", list(_all_readings(n)))
    yield Folded("Method", method_blocks(n))
    yield Folded("Provenance", [_provenance(n)])


def _all_readings(n: Report) -> Iterator[Block]:
    readings = n.each("/readings")
    shown = readings[-MOST_ROWS:]
    if len(shown) < len(readings):
        yield n.para(
            "The newest {most} of {/inputs/readings} readings; the twin file holds them all.",
            most=MOST_ROWS,
        )
    with_notes = any(reading["note"] for _, reading in shown)

    def row(at: str, reading: dict[str, Any]) -> list[Text]:
        off = n(f"{at}/off_by_kit_errors", 1) if reading["used"] else "not used"
        note = (user_text(reading["note"]),) if with_notes else ()
        return [*entry_cells(n, at), user_text(reading["kit"]), off, *note]

    yield Table(
        "All readings in time order",
        [*ENTRY_HEAD, "Kit", "Off by, kit errors", *(("Note",) if with_notes else ())],
        [row(at, reading) for at, reading in shown],
        (4, 7),
    )


def _provenance(n: Report) -> Table:
    inputs = n.get("/inputs")
    rows: dict[str, Text] = {
        "Log": user_text(inputs["log_name"]),
        "Log, SHA-256": say("<code>{}</code>", inputs["log_sha256"]),
        "Tank file, SHA-256": say("<code>{}</code>", inputs["tank_sha256"]),
        "Numbers as JSON": user_text(n.twin_name),
        "First entry": moment(inputs["first_entry"]),
        "Last entry": moment(inputs["last_entry"]),
        "Rows of the log": n.whole("/inputs/rows"),
        "Readings used and not used": n.say(
            "{/inputs/readings_used} and {/inputs/readings_not_used}"
        ),
        "Actions": n.whole("/inputs/actions"),
        "Rows without a time of day": n.whole("/inputs/rows_without_time"),
        "Seed": n.whole("/seed"),
        **n.get("/versions"),
    }
    caption = "Where this report comes from"
    return Table(caption, ["Item", "Value"], [list(item) for item in rows.items()])
