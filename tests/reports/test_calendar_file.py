"""The plan as a calendar file, read back by an independent parser."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import icalendar
import pytest

from reports.calendar_file import LINE_OCTETS, calendar_of, is_calendar

HOSTILE = 'Hall, "B"; \\n\r\nEND:VCALENDAR\u202e 鱼🐠' + "é" * 80


def twin(name: str = "Hall", **plan: Any) -> dict[str, Any]:
    """A hand-over with tests of two kinds, two additions and two steps."""
    test = {"entry": "alkalinity", "of": "tank", "kit": "drops", "repeats": 2, "minutes": 12.0}
    stated = {
        "tests": [
            {**test, "time": "2026-05-02T09:39:00"},
            {**test, "time": "2026-05-02T20:00:00", "repeats": 1, "minutes": 6.0},
            {**test, "time": "2026-05-03T09:39:00", "of": "effluent"},
            {**test, "time": "2026-05-03T10:00:00", "of": "standard", "kit": None},
        ],
        "today": {
            "once": [
                {"date": "2026-05-01", "solution": "soda", "ml": 120.5},
                {"date": "2026-05-02", "solution": "soda", "ml": 60.0},
            ]
        },
        "ladder": [
            {"date": "2026-05-01", "flow_ml_h": 300.0, "takes": {"soda": 40.0, "chloride": 0.0}},
            {"date": "2026-05-04", "flow_ml_h": 450.0, "takes": {"soda": 40.0, "chloride": 20.0}},
        ],
        "rule": {},
        "report_again": "2026-05-08",
    }
    return {
        "as_of": "2026-05-01T08:00:00",
        "tank": {"name": name, "pump": {"step": 10.0}},
        "plan": {**stated, **plan},
    }


def events(text: str) -> list[Any]:
    """What the parser finds; it must read everything without an error."""
    found = icalendar.Calendar.from_ical(text)
    assert found["VERSION"] == "2.0"
    assert not found.errors
    told = [part for part in found.subcomponents if part.name == "VEVENT"]
    assert len(told) == len(found.subcomponents)
    assert not [part.errors for part in told if part.errors]
    return told


def summaries(text: str) -> dict[str, Any]:
    return {str(event["SUMMARY"]): event for event in events(text)}


def test_every_date_of_the_plan_is_an_entry() -> None:
    """Tests at their hour, additions, steps and the next report on their days."""
    found = summaries(calendar_of(twin()))
    assert {title: event["DTSTART"].dt for title, event in found.items()} == {
        "Hall: test tank alkalinity, 2 times": datetime(2026, 5, 2, 9, 39),
        "Hall: test tank alkalinity": datetime(2026, 5, 2, 20),
        "Hall: test effluent alkalinity, 2 times": datetime(2026, 5, 3, 9, 39),
        "Hall: test alkalinity of standard, 2 times": datetime(2026, 5, 3, 10),
        "Hall: add 120.5 mL of soda, once": date(2026, 5, 1),
        "Hall: add 60 mL of soda, once": date(2026, 5, 2),
        "Hall: pump at 300 mL/h": date(2026, 5, 1),
        "Hall: next step: pump at 450 mL/h": date(2026, 5, 4),
        "Hall: run the report again": date(2026, 5, 8),
    }
    test = found["Hall: test tank alkalinity, 2 times"]
    assert test["DURATION"].dt == timedelta(minutes=12)
    assert test["DTSTART"].dt.tzinfo is None
    assert (
        str(test["DESCRIPTION"]) == "Test tank alkalinity with drops, 2 times: 12 minutes in all."
    )


def test_a_step_waits_for_the_rule_where_there_is_one() -> None:
    """What is dosed less stands with the step; without a rule it is taken on its date."""
    step = summaries(calendar_of(twin()))["Hall: next step: pump at 450 mL/h"]
    assert "Not before the rule" in step["DESCRIPTION"]
    assert "40 mL/day of soda and 20 mL/day of chloride less" in step["DESCRIPTION"]
    dated = summaries(calendar_of(twin(rule=None)))["Hall: pump at 450 mL/h"]
    assert "Not before" not in dated["DESCRIPTION"]


def test_a_new_plan_takes_the_place_of_the_old_entries() -> None:
    """Same tank, day and task: same UID at another hour and a higher sequence; no two alike."""
    old = events(calendar_of(twin()))
    later = twin()
    later["as_of"] = "2026-05-01T21:00:00"
    later["plan"]["tests"][0]["time"] = "2026-05-02T07:00:00"
    new = events(calendar_of(later))
    assert [str(one["UID"]) for one in old] == [str(one["UID"]) for one in new]
    assert len({str(one["UID"]) for one in old}) == len(old)
    assert new[0]["SEQUENCE"] > old[0]["SEQUENCE"]
    assert new[0]["DTSTAMP"].dt > old[0]["DTSTAMP"].dt
    other = events(calendar_of(twin("Cellar")))
    assert not {str(one["UID"]) for one in old} & {str(one["UID"]) for one in other}


def test_no_clock_enters() -> None:
    """The stamp is the log's end, and the same twin is the same bytes."""
    assert calendar_of(twin()) == calendar_of(twin())
    assert events(calendar_of(twin()))[0]["DTSTAMP"].dt.replace(tzinfo=None) == datetime(
        2026, 5, 1, 8
    )


def test_lines_are_folded_and_end_as_the_standard_wants() -> None:
    """RFC 5545, section 3.1: CRLF, at most 75 octets, no letter cut in two."""
    data = calendar_of(twin(HOSTILE)).encode("utf-8")
    lines = data.split(b"\r\n")
    assert lines[-1] == b""
    assert b"\n" not in b"".join(lines)
    assert b"\r" not in b"".join(lines)
    assert max(len(line) for line in lines) <= LINE_OCTETS
    for line in lines:
        line.decode("utf-8")


def test_names_cannot_break_out() -> None:
    """Commas, semicolons, backslashes and line breaks of a name stay text; hidden marks go."""
    plan = twin()["plan"]
    plan["today"]["once"][0]["solution"] = HOSTILE
    plan["tests"][0]["kit"] = HOSTILE
    plan["tests"][3]["of"] = HOSTILE
    plan["ladder"][0]["takes"] = {HOSTILE: 3.0}
    text = calendar_of(twin(HOSTILE, **plan))
    found = events(text)
    assert len(found) == 9
    titles = [str(event["SUMMARY"]) for event in found]
    assert all(title.startswith('Hall, "B"; \\n  END:VCALENDAR  鱼🐠éé') for title in titles)
    assert "\u202e" not in text
    assert text.count("\r\nEND:VCALENDAR\r\n") == 1


def test_a_plan_without_tests_still_tells_when_to_report() -> None:
    """One entry at least."""
    bare = twin(tests=[], today={"once": []}, ladder=[], rule=None)
    (event,) = events(calendar_of(bare))
    assert event["DTSTART"].dt == date(2026, 5, 8)


@pytest.mark.parametrize(
    ("data", "ours"),
    [
        (calendar_of(twin()).encode(), True),
        (b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//other//EN\r\nEND:VCALENDAR\r\n", False),
        (b"", False),
    ],
)
def test_a_calendar_of_this_program_is_known_by_what_it_holds(
    tmp_path: Path, data: bytes, ours: bool
) -> None:
    """Another calendar is never taken for one of these."""
    path = tmp_path / "plan.ics"
    path.write_bytes(data)
    assert is_calendar(path) == ours
