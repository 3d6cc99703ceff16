"""Two real reports, one after the other, with all that can be asked for beside them."""

from __future__ import annotations

import json
from pathlib import Path

import arviz as az
import icalendar
import pytest

from helpers.command import run
from helpers.tanks import PLAIN_TANK_FILE

TANK = (
    PLAIN_TANK_FILE.replace("step = 0.3", "step = 0.1")
    + """\
[solutions.soda]
alkalinity_meq_per_ml = 1.9
"""
)
FIRST = "time,entry,of,value\n2026-03-01T08:00,dose_rate,soda,90\n" + "".join(
    f"2026-03-{day:02d}T09:00,alkalinity,,{value}\n"
    for day, value in zip(range(1, 12, 2), (8.2, 8.1, 8.2, 8.1, 8.1, 8.0), strict=True)
)
SINCE = "2026-03-12T09:00,alkalinity,,8.1\n2026-03-13T09:00,alkalinity,,6.9\n"


@pytest.mark.sampler
def test_a_second_report_looks_back_on_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An ordinary reading is as foretold and a wild one is not; the calendar holds the plan's dates
    and the draws are of this log."""
    monkeypatch.chdir(tmp_path)
    Path("tank.toml").write_text(TANK, encoding="utf-8")
    command = ("report", "log.csv", "--tank", "tank.toml", "--out", "report.html")
    for text, beside in ((FIRST, ()), (FIRST + SINCE, ("--calendar", "a.ics", "--draws", "a.nc"))):
        Path("log.csv").write_text(text, encoding="utf-8")
        assert run(*command, *beside).exit_code in (0, 3)
    twin = json.loads(Path("report.json").read_text(encoding="utf-8"))
    told = twin["since_last"]
    assert told["as_of"] == "2026-03-11T09:00:00"
    assert [(one["value"], one["inside"]) for one in told["foretold"]] == [
        (8.1, True),
        (6.9, False),
    ]
    assert "1</data> of <data" in Path("report.html").read_text(encoding="utf-8")
    calendar = icalendar.Calendar.from_ical(Path("a.ics").read_bytes())
    days = {str(event["DTSTART"].dt)[:10] for event in calendar.walk("VEVENT")}
    assert {test["time"][:10] for test in twin["plan"]["tests"]} <= days
    assert twin["plan"]["report_again"] in days
    data = az.from_netcdf("a.nc")
    assert data.posterior.attrs["log_sha256"] == twin["inputs"]["log_sha256"]
    assert data.observed_data.sizes["reading"] == 8
