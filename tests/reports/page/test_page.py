"""The page: one safe file whose every number is in the twin."""

from __future__ import annotations

import os
import pickle
import re
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from markupsafe import escape

from estimator.inputs.records import Action
from estimator.inputs.tank import Target
from estimator.remark import Remark
from helpers.pages import Page, page_and_twin, sections_of, text_of, words_of
from helpers.studies import build_study, decided
from reports.blocks import resolve
from reports.page.contents import SECTIONS
from reports.page.sections.method import PRIORS
from reports.page.shell import SIZE_LIMIT_BYTES, render
from reports.template import style_hash
from reports.twin.build import build_twin

ROOT = Path(__file__).parents[3]


def printed(text):
    """(number, decimals) of a printed number."""
    found = re.search(r"−?\d+(?:\.(\d+))?", text)
    assert found, text
    return float(found[0].replace("−", "-")), len(found[1] or "")


def near(chance):
    """In 100, to the nearest 5, never none or all."""
    return min(max(5 * round(20 * chance), 5), 95)


def test_every_printed_number_is_in_the_twin(study):
    """A number read on the page equals the twin's at the printed precision."""
    html, twin = page_and_twin(study)
    page = Page(html)
    assert len(page.data) > 60
    for attributes, text in page.data:
        value = resolve(twin, attributes["data-k"])
        assert float(attributes["value"]) == value
        if text.startswith("under 1"):
            assert value < 0.01
            continue
        shown, decimals = printed(text)
        expected = {
            "in100": 100 * value,
            "near5": near(value),
            "not5": near(1 - value),
            "in10": near(value) / 10,
            "size": abs(value),
        }.get(attributes.get("data-as"), value)
        assert shown == pytest.approx(expected, abs=0.5000001 * 10**-decimals), attributes


def test_every_sentence_of_the_advice_is_in_the_twin(study):
    """Words that the estimator chose reach the page as they are, but for marks of code."""
    html, twin = page_and_twin(study)
    said = Page(html).said
    assert said or twin["diagnostics"]["failures"]
    for path, text in said:
        assert text == resolve(twin, path).replace("`", "")


# Numbers of fixed prose: the scale of words, what a range means, how often a test is repeated, how
# many days an addition takes, of how many equally likely values dots are, and the safety facts.
PROSE = {"0", "1", "2", "3", "4", "9", "10", "19", "20", "100", "1110"}


def test_prose_holds_no_number_of_its_own(study):
    """Every number outside a `<data>` element is part of a fixed sentence."""
    html, _ = page_and_twin(study)
    stray = set(re.findall(r"\d+(?:\.\d+)?", " ".join(Page(html).own_text)))
    assert stray <= PROSE


def test_page_runs_no_script_and_asks_for_nothing(study):
    """Opened from disk or mail, the page is text and pictures only."""
    html, _ = page_and_twin(study)
    for tag, attributes in Page(html).tags:
        assert tag not in ("script", "link", "iframe", "object", "base", "form")
        assert not [name for name in attributes if name.startswith("on") or name == "style"]
        for name in ("src", "href"):
            assert attributes.get(name, "#").startswith(("data:image/svg+xml;base64,", "#"))


def test_policy_allows_exactly_this_stylesheet(study):
    """The hash in the policy is that of the style element: the browser applies it and no other."""
    html, _ = page_and_twin(study)
    (style,) = re.findall(r"<style>(.*?)</style>", html, re.S)
    assert f"style-src '{style_hash(style)}'" in html
    assert "default-src 'none'" in html
    assert "url(" not in style
    assert "@import" not in style


def test_names_cannot_break_out():
    """A hostile name shows as its own text; marks that turn text around are gone."""
    html, _ = page_and_twin(build_study("hostile"))
    page = Page(html)
    shown = " ".join(page.text)
    assert '<script>alert("1")</script>' in shown
    assert "{{ 7*7 }}" in shown
    assert "$\\frac$" in shown
    assert "<script" not in html
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08]", html)


def test_ids_are_unique_and_headings_do_not_skip(study):
    """Links and screen readers find their way."""
    html, _ = page_and_twin(study)
    tags = Page(html).tags
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    levels = [int(tag[1]) for tag, _ in tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    targets = {attributes["href"][1:] for tag, attributes in tags if tag == "a"}
    assert targets <= set(ids)


def test_every_picture_has_words(study):
    """Whoever cannot see a figure reads what it says."""
    html, _ = page_and_twin(study)
    pictures = [attributes for tag, attributes in Page(html).tags if tag == "img"]
    assert pictures
    assert all(len(attributes["alt"]) > 60 for attributes in pictures)


@pytest.mark.parametrize("variant", ["wide", "failed"])
def test_withheld_report_shows_no_flow_to_set(variant):
    """A large number with a small warning is acted on: where withheld there is none."""
    html, twin = page_and_twin(build_study(variant))
    assert "cannot be said from this log yet" in html
    assert escape(twin["status_reasons"][0].rstrip(".")) in html
    keys = [attributes["data-k"] for attributes, _ in Page(html).data]
    assert not [key for key in keys if key.startswith(("/flow/recommended", "/flow/needed"))]


def test_failed_fit_shows_no_estimate():
    """Numbers of a fit that did not pass its checks are not printed."""
    html, _ = page_and_twin(build_study("failed"))
    keys = [attributes["data-k"] for attributes, _ in Page(html).data]
    banned = ("/uptake", "/level_now", "/supplies", "/dosing", "/effluent", "/water_volume_l")
    banned += ("/change_over", "/chamber", "/tank_ph", "/outlook", "/watch", "/magnesium")
    banned += ("/plan/chances", "/plan/levels", "/plan/rule")
    assert not [key for key in keys if key.startswith(banned)]


def test_odd_readings_say_test_again():
    """The keeper is told not to react to one odd reading."""
    html, twin = page_and_twin(build_study("full"))
    assert "test again before you" in html
    assert f'/odd_readings/0/row">{twin["odd_readings"][0]["row"]}<' in html


@pytest.mark.parametrize("variant", ["full", "start"])
def test_long_log_stays_small(variant):
    """Browsers on phones open the page even of a log of years."""
    html, twin = page_and_twin(build_study(variant, tests=900, days=600))
    assert len(twin["readings"]) > 900
    assert len(html.encode()) < SIZE_LIMIT_BYTES


ORDER = [
    *("alarms", "today", "cautions", "ahead", "need", "why", "watch", "since", "next", "narrow"),
    *("chamber", "ph", "supplies", "alone", "trust", "record"),
]


def test_sections_come_in_the_order_of_their_list():
    """A section is one function, listed once."""
    html, _ = page_and_twin(build_study("full"))
    first = [anchor for anchor in ORDER if anchor != "since"]
    assert sections_of(html) == first[1:]
    assert sections_of(page_and_twin(build_study("alarmed"))[0]) == first
    assert len(SECTIONS) == len(ORDER)


REACTOR = {"ahead", "watch", "chamber", "ph", "supplies", "alone"}


def test_failed_fit_has_no_reactor_job():
    """What rests on the fit is not shown where the fit failed."""
    assert not set(sections_of(page_and_twin(build_study("failed"))[0])) & REACTOR


def with_job(study, **parts):
    """The study with some parts of its reactor job changed, each by keywords of that part."""
    job = replace(study.job, **{k: replace(getattr(study.job, k), **v) for k, v in parts.items()})
    return decided(replace(study, job=job))


def with_flow(study, **changes):
    flow = replace(study.recommendation.flow, **changes)
    return decided(replace(study, recommendation=replace(study.recommendation, flow=flow)))


@pytest.mark.parametrize(
    ("variant", "verdict"),
    [
        ("full", "very likely (95 in 100) that nothing changed in the last 14 days"),
        ("leave", "It is very likely (95 in 100) that the tank uses more than it did"),
        ("hostile", "Perhaps (65 in 100) something changed in the last 14 days"),
    ],
)
def test_verdict_on_what_changed(variant, verdict):
    """One sentence with its number, and the test that tells where something may have changed."""
    html, twin = page_and_twin(build_study(variant))
    words = words_of(html, "watch")
    assert verdict in words
    assert twin["watch"]["changes"][0]["test"] in words


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        ("full", "Keep the chamber at pH 6.60"),
        ("leave", "Set the chamber to pH 6.60; it is at 6.40"),
        ("wide", "At no chamber pH from 6.3 to 7.2 does the needed flow lie inside"),
        ("no reactor", "what chambers usually do"),
    ],
)
def test_chamber_says_what_to_set(variant, words):
    """The pH to work at, or why there is none; usual figures are marked as such."""
    assert words in words_of(page_and_twin(build_study(variant))[0], "chamber")


def test_withheld_report_shows_no_flow_by_the_chamber():
    """A flow that is withheld does not come in again by its pH."""
    html, _ = page_and_twin(build_study("wide"))
    keys = [attributes["data-k"] for attributes, _ in Page(html).data]
    assert not [key for key in keys if "needed_ml_h" in key]
    assert "<img" not in html[html.index('<section id="chamber"') : html.index('id="ph"')]


@pytest.mark.parametrize(
    ("chance", "readings", "measures", "begins"),
    [
        (0.25, 12, True, "To raise the daily low, first"),
        (0.25, 12, False, "With the reactor carrying the whole load"),
        (0.15, 12, True, "Nothing to do: with the reactor"),
        (0.15, 0, True, "Log the tank's pH at lights on and lights off for a week"),
    ],
)
def test_nothing_to_do_needs_a_seldom_low_ph(chance, readings, measures, begins):
    """One low night in four is not nothing, and a usual tank's figures call for readings first."""
    found = build_study("full").job.tank_ph
    changes = {"low_chance": chance, "readings": readings}
    changes["measures"] = found.measures if measures else ()
    study = with_job(build_study("full"), tank_ph=changes)
    words = words_of(page_and_twin(study)[0], "ph")
    assert begins in words
    assert "7.8 (common practice, no source)" in words
    assert ("Nothing to do" in words) == begins.startswith("Nothing")
    assert "No tank pH is in the log" not in words


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        ("full", "To raise the daily low, first: fresh air to the skimmer"),
        ("leave", "Nothing to do: with the reactor carrying the whole load it is very likely"),
    ],
)
def test_tank_ph_says_what_to_do(variant, words):
    """What helps comes first where pH is often low; nothing is advised where it is not."""
    assert words in words_of(page_and_twin(build_study(variant))[0], "ph")


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        ("full", ["Top up the media about", "Change the CO2 cylinder about", "Magnesium."]),
        ("full", ["at the latest: leaks make it sooner", "Of the carbonate that dissolves, 3 %"]),
        ("leave", ["Top up the media now.", "in ten years or later"]),
        ("start", ["state media_kg and co2_charge_g"]),
    ],
)
def test_supplies_say_when_to_refill(variant, words):
    """Dates where the tank file says what was filled in, else what to state."""
    shown = words_of(page_and_twin(build_study(variant))[0], "supplies")
    assert all(one in shown for one in words)


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        ("full", "Calcium holds for about 6 weeks. Magnesium holds for about 6 weeks."),
        ("leave", "Calcium holds for half a year or more."),
        ("no reactor", "Calcium may leave its band any day."),
        ("hostile", "Calcium holds for about a week."),
        ("start", "Put calcium right first: it is likely (70 in 100)"),
        ("no calcium", "Calcium was never tested: one test would tell."),
    ],
)
def test_outlook_says_how_long_the_others_hold(variant, words):
    """The answer to "is alkalinity alone enough?", and no second rhythm of tests."""
    assert words in words_of(page_and_twin(build_study(variant))[0], "alone")


def test_an_element_perhaps_out_already_is_told_so():
    """Six weeks are said of a level that is inside."""
    ahead = build_study("full").job.outlook
    out = replace(ahead.calcium, out_by_week=np.linspace(0.12, 0.9, 27))
    words = words_of(
        page_and_twin(with_job(build_study("full"), outlook={"calcium": out}))[0], "alone"
    )
    assert "Calcium holds for about 6 weeks, unless it is out already. Magnesium holds" in words


def test_a_magnesium_medium_is_named_where_it_decides():
    """What its share does to calcium, and what common practice would have it do to magnesium."""
    study = build_study("full")
    html, twin = page_and_twin(study)
    assert "hangs on how much of the magnesium medium dissolves" in words_of(html, "alone")
    believed = twin["magnesium"]["believed_change_per_month"]["q50"]
    assert believed == pytest.approx(0.02 * 30 * 24.305, rel=0.01)
    said = "medium at about 10 % of the volume keeps magnesium (common practice, no source)"
    assert said in words_of(html, "supplies")
    without = replace(study.job.supplies.magnesium, share=np.zeros_like(study.posterior.volume_l))
    plain = page_and_twin(
        with_job(study, supplies={"magnesium": without}, outlook={"cause": None})
    )[0]
    assert said not in words_of(plain, "supplies")
    assert "magnesium medium" not in words_of(plain, "alone")


@pytest.mark.parametrize(("share", "shown"), [(0.03, True), (20.0, False), (np.nan, False)])
def test_magnesium_shares_without_a_load_are_hidden(share, shown):
    """Parts of nearly nothing say nothing; a draw below zero counts as none."""
    study = build_study("full")
    magnesium = study.job.supplies.magnesium
    draws = np.full_like(magnesium.share, share)
    draws[:300] = 0.03
    given = np.where(np.arange(len(draws)) < 100, -0.2, 0.1)
    changed = replace(magnesium, needed_share=draws, share=given)
    html, twin = page_and_twin(with_job(study, supplies={"magnesium": changed}))
    assert ("Of the carbonate that dissolves" in words_of(html, "supplies")) == shown
    assert twin["magnesium"]["share_pct"]["q05"] == 0


def test_no_load_leaves_the_reactors_sections_out():
    """Figures of a reactor that may have nothing to do, or whose flow is unknown, mislead; what is
    odd about the effluent still shows."""
    full, wide = build_study("full"), build_study("wide")
    needed = np.linspace(-100.0, 900.0, 400)
    nothing = sections_of(page_and_twin(with_flow(full, needed_ml_h=needed))[0])
    assert not set(nothing) & {"chamber", "ph", "supplies"}
    unlogged = with_flow(wide, current_ml_h=None)
    html, _ = page_and_twin(unlogged)
    assert not set(sections_of(html)) & {"ph", "supplies"}
    words = words_of(html, "chamber")
    assert "stronger than aragonite media can make it" in words
    assert "At no chamber pH" not in words


def test_odd_effluent_comes_first_in_the_chamber():
    """A reading that chemistry cannot give is the first thing to look into."""
    html, twin = page_and_twin(build_study("wide"))
    (odd,) = twin["chamber"]["odd_effluents"]
    reading = build_study("wide").job.odd_effluents[0].reading
    # 1 meq/L is 2.80385 dKH (DIN: 10 mg/L of CaO each).
    assert odd["value"] == pytest.approx(2.80385 * reading.value, rel=1e-5)
    assert (odd["row"], odd["unit"]) == (reading.row, "dKH")
    assert odd["code"] == "effluent_too_strong"
    assert twin["tank_ph"]["notes_codes"] == ["tank_ph_never_read", "tank_ph_room_assumed"]
    words = words_of(html, "chamber")
    assert f"Row {reading.row}" in words
    assert words.index(odd["remark"]) < words.index("At no chamber pH")


def test_odd_effluents_of_one_kind_are_told_once():
    """Six times the same advice is read as none."""
    study = build_study("wide")
    (odd,) = study.job.odd_effluents
    later = replace(odd, reading=replace(odd.reading, row=999))
    changed = replace(study, job=replace(study.job, odd_effluents=(odd, later)))
    words = words_of(page_and_twin(changed)[0], "chamber")
    assert words.count("stronger than aragonite media can make it") == 1
    assert "Row 999" in words
    assert f"Likewise in row {odd.reading.row}." in words


def test_chamber_without_pump_or_stated_ph_claims_neither():
    """No pump, no chance of one; no stated pH, no "now"."""
    words = words_of(page_and_twin(build_study("no reactor"))[0], "chamber")
    assert "Pump can" not in words
    assert "(now)" not in words
    words = words_of(page_and_twin(build_study("full"))[0], "chamber")
    assert "Pump can" in words
    assert "(now)" in words


@pytest.mark.parametrize(("variant", "acid"), [("first step", True), ("no reactor", False)])
def test_acid_water_is_warned_of_where_a_reactor_starts(variant, acid):
    """A plan that starts a reactor brings its hazards with it."""
    words = words_of(page_and_twin(build_study(variant))[0], "cautions")
    assert ("Chamber water is acid" in words) == acid


def test_every_prior_has_its_label(study):
    """What is taken for granted is told in plain words, all of it."""
    _, twin = page_and_twin(study)
    assert set(twin["priors"]) <= set(PRIORS)


def test_every_volume_and_salinity_is_in_the_units_of_the_tank_file():
    """A keeper who thinks in US gallons and specific gravity reads nothing in L or g/kg."""
    study = build_study("full")
    tank = replace(study.tank, volume_unit="gal", salinity_unit="SG")
    change = Action(77, study.log.end, "water_change", "new", 56.781177, "", ("odd",))
    flow = Action(78, study.log.end, "flow", "", 9000.0, "", ("odd",))
    log = replace(study.log, actions=(*study.log.actions, change, flow))
    salty = Remark("note_salinity", {"stated_g_kg": 35.0, "low_g_kg": 33.0, "high_g_kg": 33.0})
    advice = replace(study.recommendation, notes=(salty,))
    twin = build_twin(replace(study, tank=tank, log=log, recommendation=advice))
    html = render(twin, "report.json")
    assert "water changes of 15.9 gal every" in text_of(html, "alone")
    assert re.search(r"Water volume16\d\.\d1\d\d\.\d to 1\d\d\.\dgal", text_of(html, "why"))
    assert re.search(r"Water volume16\d\.\d1\d\d\.\d to 1\d\d\.\dgal", text_of(html, "record"))
    assert "water changenew15gal" in text_of(html, "trust")
    assert "9000mL/h" in text_of(html, "trust")
    assert "at 1.0264 SG, to which" in text_of(html, "need")
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", html)
    assert not {"L", "g/kg"} & set(cells)


def test_no_unit_but_the_keepers_stands_on_the_page():
    """Alkalinity and calcium in meq/L and mmol/L, in the small print of the method as well."""
    study = build_study("full")
    targets = {"alkalinity": Target(2.7, 3.1, "meq/L", 0.2), "calcium": Target(10, 11, "mmol/L")}
    html = render(build_twin(replace(study, tank=replace(study.tank, targets=targets))), "r.json")
    units = [unit for table in TABLES_IN_OWN_UNITS for unit in last_cells(html, table)]
    assert {"mmol/L per meq/L", "for each meq/L", "meq/L/day", "L"} <= set(units)
    assert [unit for unit in units if "dKH" in unit or "mg/L" in unit] == []


TABLES_IN_OWN_UNITS = ("What the log says", "Taken for granted")
"""The other tables hold readings and kits, each in its own unit."""


def last_cells(html, caption):
    """The last cell of each row of a table."""
    table = html[html.index(f"<caption><span>{caption}") :].split("</table>")[0]
    return re.findall(r"<td>([^<]*)</td></tr>", table)


def test_dates_are_read_in_one_form(study):
    """No date stands on the page as a machine writes it, but in the names of files."""
    html, _ = page_and_twin(study)
    shown = re.sub(r"<style>.*?</style>|<[^>]*>", " ", html, flags=re.S)
    assert re.findall(r"\b\d{4}-\d\d-\d\d", shown) == []


def test_a_new_prior_is_not_left_out():
    """A prior that nobody has labelled yet is shown by its own name."""
    twin = build_twin(build_study("full"))
    twin["priors"]["a_new_one"] = {
        "as_read": {"unit": "", "median": 1.5, "q025": 1.25, "q975": 2.0}
    }
    assert "a_new_one1.5001.250 to 2.000" in words_of(render(twin, "report.json"), "record")


def test_safety_names_its_sources(study):
    """Figures on gas and cylinders can be checked by whoever relies on them.

    NIOSH Pocket Guide and IDLH list (CAS 124-38-9): REL 5,000 ppm, STEL 30,000 ppm, IDLH 40,000
    ppm; OSHA 29 CFR 1910.1000 Table Z-1: 5,000 ppm; 49 CFR 180.209 for requalification (values from
    memory).
    """
    words = words_of(page_and_twin(study)[0], "cautions")
    for part in ("5,000 ppm", "30,000 ppm", "40,000 ppm", "NIOSH", "OSHA", "49 CFR 180.209"):
        assert part in words


def test_bytes_repeat_across_processes(tmp_path):
    """Neither hash seeds nor the time zone nor the clock change a byte."""
    study = build_study("full")
    html, _ = page_and_twin(study)
    (tmp_path / "study").write_bytes(pickle.dumps(study))
    code = (
        "import pickle, sys; from pathlib import Path\n"
        "from reports.page.shell import render; from reports.twin.build import build_twin\n"
        "study = pickle.loads(Path(sys.argv[1], 'study').read_bytes())\n"
        "page = render(build_twin(study), 'report.json')\n"
        "Path(sys.argv[1], 'page').write_bytes(page.encode())\n"
    )
    environment = os.environ | {
        "PYTHONHASHSEED": "7",
        "TZ": "Pacific/Chatham",
        "PYTHONPATH": str(ROOT),
    }
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], env=environment, check=True)
    assert (tmp_path / "page").read_bytes() == html.encode()


def test_the_chambers_limit_is_told_of_a_tested_effluent():
    """Saturated effluent, the way there and the most that the chamber gives; not of a plan."""
    html, _ = page_and_twin(build_study("full"))
    told = text_of(html, "chamber")
    assert "At the chamber's pH of now saturated effluent would hold" in told
    assert "at 2600 mL/h it comes 55 % of the way there" in told
    assert "the chamber gives this tank at most" in told
    planned, _ = page_and_twin(build_study("no reactor"))
    assert "saturated effluent" not in text_of(planned, "chamber")


def test_a_limit_that_spans_more_than_tenfold_is_a_lower_bound():
    """No number is told of an upper end that nothing is known of."""
    study = build_study("full")
    half = np.geomspace(50.0, 5000.0, len(study.posterior.volume_l))
    law = study.posterior.law._replace(half_flow_l_d=half)
    html, _ = page_and_twin(replace(study, posterior=replace(study.posterior, law=law)))
    assert "dKH/day or more." in text_of(html, "chamber")


def test_every_kind_of_change_is_told_in_words():
    """Kinds by their names, parameters as words that begin a line, and how far back was looked."""
    study = build_study("leave")
    kit, uptake = study.job.watch.changes[1], study.job.watch.changes[0]
    kinds = (
        ("effluent_fade", "", "down"),
        ("one_addition", "alkalinity", "down"),
        ("additions", "alkalinity", "up"),
    )
    changes = tuple(
        replace(uptake, kind=kind, of=of, direction=way, chance=0.1) for kind, of, way in kinds
    )
    days = tuple(study.posterior.days)
    parts = {"changes": (*changes, kit), "days": days, "nothing": 0.69}
    html, _ = page_and_twin(with_job(study, watch=parts))
    told = text_of(html, "watch")
    assert "nothing changed in the last 40 days" in told
    for words in (
        "Effluent bit by bit: test the effluent's alkalinity",
        "One dose: look for a dose",
        "Dosing not as logged: look for doses",
        "Alkalinity was lost at once",
        "Alkalinity is added that is not in the log",
    ):
        assert words in told
    assert "_" not in told


def test_a_change_that_draws_hardly_show_is_left_to_the_twin():
    """Under 1 in 100 is no suspect, unless nothing else is left."""
    study = build_study("full")
    first, second = study.job.watch.changes
    parts = {"changes": (first, replace(second, chance=0.004))}
    told = text_of(page_and_twin(with_job(study, watch=parts))[0], "watch")
    assert "reads higher than it did" in told
    assert "The tank uses more" not in told


def test_an_average_tells_of_how_many_it_is():
    """A reading of an instrument stands in the table as the mean that it is."""
    study = build_study("full")
    first, end = study.log.readings[0], study.log.end
    hourly = tuple(
        replace(first, row=500 + h, time=end + timedelta(hours=h), kit="probe")
        for h in range(1, 49)
    )
    log = replace(study.log, readings=(*study.log.readings, *hourly), end=hourly[-1].time)
    html, _ = page_and_twin(replace(study, log=log))
    assert "(mean of 12)" in text_of(html, "record")
    assert "(mean of" not in text_of(page_and_twin(study)[0], "record")


def test_names_of_tables_are_plain_text():
    """What a screen reader says of a table holds no markup."""
    html, _ = page_and_twin(build_study("hostile"))
    labels = re.findall(r'aria-label="([^"]*)"', html)
    assert any("drops" in label for label in labels)
    assert not [label for label in labels if "<" in label]
