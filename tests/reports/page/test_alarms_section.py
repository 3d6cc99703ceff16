"""Alarms on page, terminal and index, and figures that are withheld."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from estimator.fit.doubts import Doubt, Doubts
from estimator.remark import Remark
from estimator.study import Study
from helpers.studies import HOSTILE, SPOILED, build_study
from reports.blocks import resolve
from reports.index import build_index, render_index, summary_lines
from reports.many import Status, TankOutcome, facts_of
from reports.page.shell import render
from reports.summary import next_lines, terminal_lines
from reports.twin.build import build_twin, to_json

Q = {"q05", "q25", "q50", "q75", "q95", "mean", "sd"}


def twin_of(study: Study) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(to_json(build_twin(study)))
    return found


def page_of(study: Study) -> str:
    return render(twin_of(study), "report.json")


def test_an_alarm_keeps_its_contract() -> None:
    """Every agreed key, of the agreed shape, in the keeper's units; [] where all is quiet."""
    assert twin_of(build_study("full"))["alarms"] == []
    (alarm,) = twin_of(build_study("alarmed"))["alarms"]
    keys = {"about", "chance", "since", "size", "says", "check_first", "tests"}
    assert set(alarm) >= keys
    assert alarm["about"] == "effluent"
    assert alarm["chance"] == pytest.approx(0.8)
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", alarm["since"])
    assert set(alarm["size"]) == Q | {"unit"}
    assert alarm["size"]["unit"] == "%"
    assert alarm["size"]["q50"] == pytest.approx(-29.0)
    assert alarm["says"]
    assert alarm["check_first"]
    assert all(set(t) == {"entry", "of", "kit", "repeats", "minutes"} for t in alarm["tests"])


@pytest.mark.parametrize(
    ("of", "unit", "size", "told"),
    [("alkalinity", "dKH/day", 0.1, 0.280385), ("calcium", "mg/L/day", 0.1, 4.0078)],
)
def test_rates_are_told_in_the_keepers_unit(of: str, unit: str, size: float, told: float) -> None:
    """0.1 meq/L is 0.28 dKH (DIN), 0.1 mmol/L of calcium 4.0 mg/L (its molar mass)."""
    study = build_study(f"{of} withheld")
    alarm = replace(study.alarms[0], size=np.full(5, size))
    (shown,) = twin_of(replace(study, alarms=(alarm,)))["alarms"]
    assert shown["size"]["unit"] == unit
    assert shown["size"]["q50"] == pytest.approx(told, rel=1e-4)


def test_alarms_stand_before_everything_else() -> None:
    """First on the page, one line each with chance and check; cause, day and size are folded."""
    html = page_of(build_study("alarmed"))
    assert html.index('id="alarms"') < html.index('id="today"')
    block = html[html.index('id="alarms"') : html.index('id="today"')]
    line, behind = block.split("<details>")
    for text in ("80</data> in 100", "the effluent is weaker", "gauge"):
        assert text in line
    for text in ("the media is spent", "2026", "29</data>"):
        assert text in behind
        assert text not in line
    assert 'id="alarms"' not in page_of(build_study("full"))


def test_the_setting_does_not_contradict_an_alarm() -> None:
    """A pump that is left, or held back, is not called as good as the best."""
    quiet, alarm = build_study("leave"), build_study("alarmed").alarms[0]
    assert "Look first at what stands above" not in page_of(quiet)
    for html in (page_of(replace(quiet, alarms=(alarm,))), page_of(build_study("alarmed"))):
        assert "Look first at what stands above" in section_of(html, "today")
        assert "best" not in section_of(html, "today")


def test_hostile_names_in_alarms_stay_text() -> None:
    """A kit or solution whose name is markup is shown, not run."""
    study = build_study("full")
    doubt = Doubt("strength", "strength_wrong", 0.9, values={"of": HOSTILE})
    from estimator.advice.alarms import alarms_of

    alarms = alarms_of(
        study.log, study.tank, study.posterior, study.recommendation, doubts=Doubts((doubt,))
    )
    html = page_of(replace(study, alarms=alarms))
    assert "<script" not in html
    assert "&lt;script&gt;" in html
    assert "\u202e" not in html


def test_terminal_begins_with_the_alarms() -> None:
    """The first line says what stands and what to look at first; none where all is quiet."""
    lines = terminal_lines(twin_of(build_study("alarmed")), "a.html", "a.json")
    assert lines[0].startswith("Check first: the effluent is weaker")
    assert "(80 in 100)" in lines[0]
    assert lines[1].startswith(
        "On Thu 9 Apr: Set the pump to 1800 mL/h and dose 36 mL of soda a day."
    )
    assert next_lines(twin_of(build_study("alarmed")))[0] == lines[0]
    quiet = terminal_lines(twin_of(build_study("full")), "a.html", "a.json")
    assert not quiet[0].startswith("Check first")


def outcome(name: str, variant: str) -> TankOutcome:
    twin = twin_of(build_study(variant))
    return TankOutcome(
        f"{name}.csv", Status(twin["status"]), tuple(twin["status_reasons"]), facts=facts_of(twin)
    )


def test_index_begins_with_the_tanks_that_have_alarms() -> None:
    """The tank with an alarm comes before one whose alkalinity leaves its band; its alarm shows."""
    index = build_index(
        [outcome("b", "correct"), outcome("c", "leave"), outcome("a", "alarmed")], 1
    )
    assert [entry["log"] for entry in index["tanks"]] == ["a.csv", "b.csv", "c.csv"]
    assert [entry["group"] for entry in index["tanks"]] == ["first", "first", "steady"]
    html = render_index(index)
    assert "the effluent is weaker, or less of it flows</span></strong>" in html
    assert resolve(index, "/tanks/0/alarms/0/chance") == pytest.approx(0.8)
    assert any("(a.csv: effluent)" in line for line in summary_lines(index, "i.html", "i.json"))


def test_a_failed_fit_stays_among_the_tanks_without_a_setting() -> None:
    """Its reasons are shown there."""
    (entry,) = build_index([outcome("a", "failed")], 1)["tanks"]
    assert entry["group"] == "no_setting"


def numbers_in(part: Any) -> list[float]:
    if isinstance(part, dict):
        return [x for one in part.values() for x in numbers_in(one)]
    if isinstance(part, list):
        return [x for one in part for x in numbers_in(one)]
    return [part] if isinstance(part, float | int) and not isinstance(part, bool) else []


def test_spoiled_calcium_is_withheld_while_alkalinity_stands() -> None:
    """No figure of calcium in twin or page; alkalinity and the setting stay."""
    twin = twin_of(build_study("calcium withheld"))
    assert twin["withheld_figures"] == ["calcium"]
    assert twin["level_now"]["calcium"] is None
    assert twin["level_by_day"]["calcium"] is None
    assert twin["calcium_per_alkalinity"] is None
    assert twin["uptake"]["calcium"]["now"] is None
    assert twin["uptake"]["calcium"]["by_day"] == []
    assert "ca" not in twin["kits"]
    assert twin["outlook"]["calcium"] is None
    assert all(r["expected"] is None for r in twin["readings"] if r["entry"] == "calcium")
    assert twin["level_now"]["alkalinity"]["q50"] == pytest.approx(8.3, abs=0.2)
    assert twin["status"] == "recommended"
    html = page_of(build_study("calcium withheld"))
    assert "No figure of calcium is shown" in html
    assert "mg/L of calcium (" not in html
    assert "calcium was never tested" not in html.lower()


def test_spoiled_alkalinity_withholds_every_figure_and_the_setting() -> None:
    """Twin, page, terminal and index cope without them, and say why."""
    study = build_study("alkalinity withheld")
    twin = twin_of(study)
    assert twin["status"] == "withheld"
    assert twin["level_now"]["alkalinity"] is None
    assert twin["uptake"]["alkalinity"] == {
        "unit": "dKH/day",
        "now": None,
        "by_day": [],
        "net_change_only": False,
        "nitrate_part": None,
    }
    for key in ("needed", "recommended", "level_in_band_probability"):
        assert twin["flow"][key] is None
    hidden = ("effluent", "dosing", "supplies", "calcium_per_alkalinity", "level_by_day")
    assert [numbers_in(twin[key]) for key in hidden[:4]] == [[], [], [], []]
    assert twin["level_by_day"]["alkalinity"] is None
    html = page_of(study)
    assert "the log contradicts itself" in html
    lines = terminal_lines(twin, "a.html", "a.json")
    assert any("the log contradicts itself" in line for line in lines)
    assert next_lines(twin)[-1].startswith("No test can be weighed")
    entry = build_index([outcome("a", "alkalinity withheld")], 1)["tanks"][0]
    assert entry["group"] == "first"
    assert entry["need"] is None


@pytest.mark.parametrize("variant", [*SPOILED, "alarmed"])
def test_every_printed_number_is_in_the_twin(variant: str) -> None:
    """What the page prints stands in the twin at the place that it names."""
    twin = twin_of(build_study(variant))
    html = render(twin, "report.json")
    found = re.findall(r'<data value="([^"]*)" data-k="([^"]*)"', html)
    assert found
    for value, key in found:
        assert str(resolve(twin, key)) == value


def alarmed(variant: str, about: str, code: str, of: str = "") -> str:
    """The page of a report with one alarm more."""
    study = build_study(variant)
    (weak,) = build_study("alarmed").alarms
    told = {"of": of}
    causes, check = Remark(f"alarm_{code}", told), Remark(f"alarm_{code}_check", told)
    alarm = replace(weak, about=about, of=of, causes=causes, check_first=check)
    return page_of(replace(study, alarms=(alarm,)))


def section_of(html: str, anchor: str) -> str:
    start = html.index(f'id="{anchor}"')
    return html[start : html.index("</section>", start)]


def test_no_chamber_ph_is_advised_while_it_does_not_stay() -> None:
    """Neither to keep nor to set, nor a table of flows that hang on it."""
    quiet = section_of(page_of(build_study("full")), "chamber")
    assert "Keep the chamber at" in quiet
    assert "(now)" in quiet
    told = section_of(alarmed("full", "chamber ph", "chamber_ph_up"), "chamber")
    for advice in ("the chamber at", "Set the chamber", "(now)", "second chamber"):
        assert advice not in told
    assert "does not stay where it is set: see what stands at the top" in told


def test_outlook_waits_for_what_the_log_lacks() -> None:
    """Calcium added without an entry is no reason to test twice a year, nor to put it right."""
    told = section_of(alarmed("full", "additions", "additions_up", "calcium"), "alone")
    assert "Enter first what the log lacks" in told
    assert "Calcium holds" not in told
    assert "Alkalinity alone" not in told
    assert "Calcium holds" in section_of(page_of(build_study("full")), "alone")


def test_a_withheld_setting_points_to_the_alarm() -> None:
    """And still says what is safe meanwhile."""
    told = section_of(alarmed("wide", "chamber ph", "chamber_ph_up"), "today")
    assert "Look first at what stands above." in told
    assert "why stands below. This is safe" in " ".join(told.split())


def test_tests_of_an_alarm_stand_in_the_schedule_alone() -> None:
    """No second list: neither the alarm nor what a test is worth says when or how often."""
    html = alarmed("full", "effluent", "effluent_down")
    assert "Test today" not in html
    assert "is the schedule at the top" in section_of(html, "next")


def test_an_odd_effluent_reading_may_be_the_first_sign() -> None:
    """It is not put down as a slip while the effluent is said to weaken."""
    study = build_study("full")
    checks = tuple(
        replace(check, chance_ordinary=0.1) if check.reading.sample == "effluent" else check
        for check in study.posterior.checks
    )
    odd = replace(study, posterior=replace(study.posterior, checks=checks))
    alarms = build_study("alarmed").alarms
    sign = "may be no slip but the first sign of what stands at the top"
    assert sign in section_of(page_of(replace(odd, alarms=alarms)), "trust")
    assert sign not in section_of(page_of(odd), "trust")
    assert sign not in section_of(page_of(replace(study, alarms=alarms)), "trust")
