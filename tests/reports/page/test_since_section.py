"""The folded line that looks back on the last report."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from helpers.twins import Json, new_twin, old_twin, reading
from reports.blocks import Section, Table
from reports.page.report import Report
from reports.page.sections.since_last import since_last_section
from reports.twin.former import read_former
from reports.twin.since import since_last

READINGS = (
    reading("2026-05-02T09:00:00", 8.2),
    reading("2026-05-03T09:00:00", 8.8),
    reading("2026-05-03T09:00:00", 24.3, sample="effluent", of="effluent"),
)


@pytest.fixture
def fold(tmp_path: Path) -> Any:
    """`fold(twin)`: the section, with the old twin looked back on."""
    path = tmp_path / "old.json"
    path.write_text(json.dumps(old_twin()), encoding="utf-8")
    former = read_former(path)

    def make(twin: Json) -> Section | None:
        pump = {"tank": {"name": "Hall", "pump": {"step": 10.0}}}
        return since_last_section(Report(twin | pump | {"since_last": since_last(former, twin)}))

    return make


def text_of(markup: object) -> str:
    return re.sub(r"<[^>]+>", "", str(markup))


def test_the_folded_line_gives_the_answer(fold: Any) -> None:
    """How many readings came as foretold, and how uptake, effluent and pump moved."""
    assert text_of(fold(new_twin(*READINGS)).answer) == (
        "2 of 3 readings were as foretold; uptake 1.60 → 1.70 dKH/day; "
        "effluent 24.00 → 24.00 dKH; pump 300 → 300 mL/h, 320 was to be set "
        "(report of 1 May 2026)"
    )


def test_every_number_of_the_line_is_in_the_twin(fold: Any) -> None:
    """What stands outside of `<data>` and `<time>` holds no figure."""
    summary = str(fold(new_twin(*READINGS)).answer)
    own = re.sub(r"<(data|time)\b.*?</\1>", "", summary)
    assert not re.search(r"\d", own)


def test_unfolded_each_reading_stands_beside_what_was_foretold(fold: Any) -> None:
    """One row a test, with whether it came."""
    table = fold(new_twin(*READINGS)).blocks[0]
    assert isinstance(table, Table)
    rows = [[text_of(cell) for cell in row] for row in table.rows]
    assert rows[1] == ["Tank alkalinity, 3 May 2026, 09:00", "8.80 dKH", "7.90 to 8.50", "no"]
    assert rows[2][0].startswith("Effluent alkalinity")
    assert rows[2][-1] == "yes"


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ((), "no reading to compare with what was foretold"),
        (READINGS[:1], "the one reading was as foretold"),
        (READINGS[1:2], "the one reading was not as foretold"),
    ],
)
def test_few_readings_are_told_in_words(fold: Any, readings: tuple[Json], words: str) -> None:
    """None or one reads as a sentence."""
    block = fold(new_twin(*readings))
    assert text_of(block.answer).startswith(f"{words}; uptake")
    assert any(isinstance(part, Table) for part in block.blocks) == bool(readings)


def test_a_fit_that_failed_tells_no_estimate(fold: Any) -> None:
    """Readings and settings are facts; uptake and effluent are not shown."""
    twin = new_twin(*READINGS) | {"diagnostics": {"failures": ["it failed"]}}
    told = text_of(fold(twin).answer)
    assert "uptake" not in told
    assert "effluent" not in told
    assert "2 of 3 readings" in told


def test_without_a_last_report_there_is_no_section(fold: Any) -> None:
    """The first report has nothing to look back on."""
    assert fold(new_twin() | {"as_of": "2026-04-01T12:00:00"}) is None
