"""The day sheet: all that is to be done stands on it, as the plan has it, and nothing beside it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime

import pytest

from helpers.made_plans import begins_later
from helpers.pages import Page, open_words, page_and_twin, text_of, words_of
from helpers.studies import SPOILED, VARIANTS, build_study
from reports.blocks import Numbers
from reports.page.sections.rule import quiet_case
from reports.page.sections.sheet import headline
from reports.summary import terminal_lines

EVERY = (*VARIANTS, *SPOILED)
MOST_WORDS = 600


def with_plan(study, **changes):
    """The study with some parts of its plan changed."""
    return replace(study, plan=replace(study.plan, **changes))


def with_chances(study, **changes):
    return with_plan(study, chances=replace(study.plan.chances, **changes))


def section_of(html, anchor):
    start = html.index(f'<section id="{anchor}"')
    return html[start : html.index("</section>", start)]


def headline_of(html):
    """The markup of the large words."""
    (found,) = re.findall(r'<p class="big">(.*?)</p>', html, re.S)
    return found


def told(markup):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", markup)).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        ("full", "Set the pump to 2220 mL/h"),
        ("leave", "Leave the pump at 2250 mL/h and all else as it is"),
        ("start", "Start the pump at 300 mL/h and dose 120 mL of soda and 60 mL of chloride a day"),
        ("no reactor", "Dose 190 mL of soda and 95 mL of chloride a day"),
        ("wide", "Leave the pump at 2600 mL/h and all else as it is"),
        ("failed", "Leave the pump at 2600 mL/h and all else as it is"),
        ("alarmed", "Set the pump to 1800 mL/h and dose 36 mL of soda a day"),
        (
            "first step",
            "Start the pump at 76 mL/h and dose 160 mL of soda and 80 mL of chloride a day",
        ),
        ("correct", "Leave the pump at 2600 mL/h and add 46 mL of soda on each of 3 days"),
    ],
)
def test_headline_says_what_to_do(variant, words):
    """An order, not a number: the first thing on the page after what must be checked first."""
    html, _ = page_and_twin(build_study(variant))
    assert told(headline_of(html)) == words
    sheet = section_of(html, "today")
    assert sheet.index('<p class="big">') < sheet.index("<li>")


@pytest.mark.parametrize("variant", EVERY)
def test_headline_is_what_the_plan_sets_today(variant):
    """Pump, every rate that is not as now and every addition, each at its place in the twin."""
    html, twin = page_and_twin(build_study(variant))
    today, now = twin["plan"]["today"], twin["plan"]["present"]["dose_rates"]
    shown = [float(attributes["value"]) for attributes, _ in Page(f"{headline_of(html)}").data]
    expected = [today["flow_ml_h"]] if today["flow_ml_h"] else []
    if not twin["plan"]["leave_all"]:
        always = today["flow_ml_h"] is None
        rates = today["dose_rates"]
        expected += [ml for name, ml in rates.items() if ml and (always or ml != now[name])]
        expected += [one["ml"] for one in today["once"][:1]]
    assert sorted(shown) == sorted(expected)
    keys = [attributes["data-k"] for attributes, _ in Page(headline_of(html)).data]
    assert all(key.startswith("/plan/today/") for key in keys)


@pytest.mark.parametrize(
    ("today", "words"),
    [
        ((0.0, {"soda": 180.0, "chloride": 0.0}), "Leave the pump off"),
        ((0.0, {"soda": 0.0, "chloride": 0.0}), "Leave the pump off and stop soda"),
        (
            (60.0, {"soda": 180.0, "chloride": 7.5}),
            "Start the pump at 60 mL/h and dose 7.5 mL of chloride a day",
        ),
    ],
)
def test_headline_names_only_what_changes(today, words):
    """180 mL of soda is dosed now: what goes on is no order, what ends is one."""
    study = build_study("start")
    flow, rates = today
    changed = replace(study.plan.today, flow_ml_h=flow, dose_ml_d=rates)
    _, twin = page_and_twin(with_plan(study, today=changed))
    assert told(str(headline(Numbers(twin)))) == words


@pytest.mark.parametrize("variant", EVERY)
def test_the_sheet_works_alone(variant):
    """Every solution by name with its rate, the next test, the next report, and one day."""
    html, twin = page_and_twin(build_study(variant))
    sheet, plan = section_of(html, "today"), twin["plan"]
    keys = {attributes["data-k"] for attributes, _ in Page(sheet + "</section>").data}
    for name in ("soda", "chloride"):
        assert any(key.startswith(f"/plan/today/dose_rates/{name}") for key in keys)
    assert plan["today"]["flow_ml_h"] is None or "/plan/today/flow_ml_h" in keys
    assert f'<time datetime="{plan["begins"]}">' in sheet
    assert f'<time datetime="{plan["report_again"]}">' in sheet
    assert f'<time datetime="{plan["tests"][0]["time"]}">' in sheet
    for one in plan["today"]["once"]:
        assert f'<time datetime="{one["date"]}">' in sheet


@pytest.mark.parametrize("variant", EVERY)
def test_there_is_one_schedule(variant):
    """Every hour to come on the page is that of a planned test, and every planned test is shown."""
    html, twin = page_and_twin(build_study(variant))
    times = {stamp for stamp in re.findall(r'<time datetime="([^"]*)"', html) if "T" in stamp}
    planned = {test["time"] for test in twin["plan"]["tests"]}
    assert {stamp for stamp in times if stamp > twin["as_of"]} == planned
    days = re.findall(r'<time datetime="([\d-]{10})"', section_of(html, "today"))
    assert max(days) <= twin["plan"]["report_again"]
    text = " ".join(Page(html).text)
    assert not re.search(r"every (second|third|\d+)[^.]{0,12}(day|week)|(twice|once) a week", text)


@pytest.mark.parametrize("variant", EVERY)
def test_open_words_are_few(variant):
    """Who has wet hands reads 600 words at most, names of the keeper's own aside."""
    html, _ = page_and_twin(build_study(variant))
    assert 200 < len(open_words(re.sub(r"<bdi>.*?</bdi>", "", html, flags=re.S))) <= MOST_WORDS


@pytest.mark.parametrize("variant", EVERY)
def test_every_further_subject_is_one_line_with_its_answer(variant):
    """Who does not unfold a subject has read what it comes to."""
    html, _ = page_and_twin(build_study(variant))
    for anchor in re.findall(r'<section id="([\w-]+)"', html):
        section = section_of(html, anchor)
        if anchor in ("alarms", "today", "cautions"):
            assert "<h2" in section.split("<details>")[0]
            continue
        summary = re.search(r"<summary>(.*?)</summary>", section, re.S)[1]
        assert section.index("<summary>") < 200
        answer = summary.split("</h2>")[1]
        assert 2 <= len(told(answer).split()) <= 25
        assert "<figure>" not in section.split("<details>")[0]


RULED = [variant for variant in EVERY if build_study(variant).plan.rule is not None]


def rule_rows(html):
    """Cells of the rule's table, as markup."""
    table = next(
        table
        for table in re.findall(r"<table.*?</table>", section_of(html, "today"), re.S)
        if "Reads," in table
    )
    rows = re.findall(r"<tr>(.*?)</tr>", table.split("<tbody>")[1], re.S)
    return [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S) for row in rows]


@pytest.mark.parametrize("variant", RULED)
def test_rows_of_the_rule_are_the_twins_cells(variant):
    """Row by row: what is asked for, the pump's change, each solution's by its name, the rung."""
    html, twin = page_and_twin(build_study(variant))
    cases, rows = twin["plan"]["rule"]["cases"], rule_rows(html)
    assert len(rows) == len(cases) <= 7
    for i, (case, (_, deed)) in enumerate(zip(cases, rows, strict=True)):
        words = told(deed)
        if case["do"] != "set":
            assert words == {"repeat": "test again", "report": "run the report now"}[case["do"]]
            continue
        assert words.startswith("next rung") == (case["step"] == "next")
        shown = dict(re.findall(r'value="([^"]*)" data-k="([^"]*)"', deed))
        shown = {key: float(value) for value, key in shown.items()}
        at = f"/plan/rule/cases/{i}"
        changes = {f"{at}/dose_changes/{n}": ml for n, ml in case["dose_changes"].items() if ml}
        if case["flow_change_ml_h"]:
            changes[f"{at}/flow_change_ml_h"] = case["flow_change_ml_h"]
        if variant != "hostile":
            assert shown == changes
            pump = f"pump {case['flow_change_ml_h']:+.0f} mL/h".replace("-", "−")
            assert (pump in words) == bool(case["flow_change_ml_h"])
            for name, ml in case["dose_changes"].items():
                rate = f"{name} {ml:+g}".replace("-", "−")
                assert (rate in words) == bool(ml)
        assert sorted(shown.values()) == sorted(changes.values())
        quiet = not changes and case["step"] == "stay"
        assert ("change nothing" in words) == quiet


@pytest.mark.parametrize("variant", RULED)
def test_each_figure_of_the_kit_reads_in_the_row_that_the_twin_has_for_it(variant):
    """From the row's first bound on and below its second: 7.65 to 8.55 are 7.8 to 8.4 of a kit in
    steps of 0.3, and no bound between two figures is printed."""
    html, twin = page_and_twin(build_study(variant))
    rule, rows = twin["plan"]["rule"], [told(row[0]) for row in rule_rows(html)]
    for n in range(1, 60):
        figure = round(n * rule["step"], 6)
        by_twin = [
            (case["reading_from"] is None or figure >= case["reading_from"])
            and (case["reading_to"] is None or figure < case["reading_to"])
            for case in rule["cases"]
        ]
        assert by_twin.count(True) == 1
        by_page = []
        for words in rows:
            numbers = [float(number) for number in re.findall(r"\d+\.\d+", words)]
            assert all(abs(x / rule["step"] - round(x / rule["step"])) < 1e-6 for x in numbers)
            low = numbers[0] if "or less" not in words else 0.0
            high = numbers[-1] if "or more" not in words else 99.0
            by_page.append(low - 1e-9 <= figure <= high + 1e-9)
        assert by_page == by_twin
    assert rows[3] == "7.8 to 8.4"


def test_what_narrows_nothing_is_told_so():
    """No negative share: an error of the computation is not a loss."""
    html, twin = page_and_twin(build_study("full"))
    assert twin["next_tests"][-1]["narrowing_pct"] < 0
    words = text_of(html, "next")
    assert "Tank magnesium (as good)staysnone" in words
    assert "−0" not in words
    assert min(twin["flow"]["variance_shares"].values()) < 0
    assert "water volume" not in text_of(html, "narrow").lower()


def test_the_rule_takes_six_lines_at_most():
    """And says how repeats, rungs and limits are meant."""
    for variant in RULED:
        sheet = section_of(page_and_twin(build_study(variant))[0], "today")
        lines = re.findall(r"<li>(.*?)</li>", sheet[sheet.index("Reads,") :], re.S)[:-2]
        assert 3 <= len(lines) <= 6
    words = text_of(page_and_twin(build_study("start"))[0], "today")
    assert "Take the mean of the repeats, rounded to the kit's figures, a half up." in words
    assert "stay within 0 to 250 mL of soda, 0 to 250 mL of chloride a day." in words
    assert "Next rung: the next line above, not before its day" in words
    words = text_of(page_and_twin(build_study("full"))[0], "today")
    assert "stay within 60 to 3000 mL/h." in words
    assert "ext rung" not in words


def test_a_ladder_is_a_short_list_until_the_next_report():
    """Dated rungs with what each takes off the dosing; the rest is one line."""
    html, twin = page_and_twin(build_study("start"))
    words = text_of(html, "today")
    assert "Thu 9 Apr: 300 mL/h" in words
    assert "Sat 11 Apr: 1200 mL/h, and 60 mL of soda and 30 mL of chloride a day less" in words
    assert "As far as is known, the pump ends at about 2220 mL/h." in words
    assert len(twin["change_over"]) == 3
    assert twin["change_over"][2]["date"] == "2026-04-13"
    first = text_of(page_and_twin(build_study("first step"))[0], "today")
    assert "rungs" not in first
    assert "the pump ends at about 1430 mL/h" in first


def test_a_pump_that_stays_off_ends_nowhere():
    """Where nothing is known yet of the reactor, no flow of 0 is foretold."""
    html, _ = page_and_twin(with_plan(build_study("start"), ends_at_ml_h=0.0))
    assert "the pump ends at" not in text_of(html, "today")


def test_a_log_that_ended_before_says_so():
    """One day for all that is set; until then the present settings stay."""
    study = build_study("full")
    html, _ = page_and_twin(replace(study, plan=begins_later(study.plan, 5)))
    words = text_of(html, "today")
    assert "On Tue 14 Apr" in words
    assert (
        "The log ends on 9 Apr 2026, before this day: until its morning keep what is set" in words
    )
    assert "before this day" not in text_of(page_and_twin(study)[0], "today")


@pytest.mark.parametrize("variant", ["wide", "failed", "first step", "alkalinity withheld"])
def test_nothing_is_refused_above_an_order(variant):
    """Where no flow is recommended the safe thing leads, and says in a sentence why no more."""
    html, twin = page_and_twin(build_study(variant))
    assert twin["status"] == "withheld"
    words = text_of(html, "today")
    assert "No setting" not in text_of(html, "today")
    assert "Do not act" not in " ".join(Page(html).text)
    safe = ("This is safe meanwhile", "what runs now is the safe thing")
    assert any(sentence in words for sentence in safe)


def test_a_solution_that_pauses_says_until_when():
    """0 mL is no end of it."""
    study = build_study("hostile")
    words = text_of(page_and_twin(study)[0], "today")
    assert "0 mL (pauses)" in words
    assert "pauses until a report finds it inside again" in words
    assert "(pauses)" not in text_of(page_and_twin(build_study("full"))[0], "today")


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.93, "The band holds mostly: 9.5 days in ten of the next 14 with this followed"),
        (0.99, "The band holds surely: over 9.5 days in ten"),
        (0.62, "The band holds not surely: 6 days in ten"),
        (0.95, "The band holds surely"),
        (0.949, "The band holds mostly"),
        (0.8, "The band holds mostly"),
        (0.799, "The band holds not surely"),
    ],
)
def test_prospects_are_days_in_ten(share, words):
    """To the nearest half a day, with one word for how surely."""
    study = with_chances(build_study("full"), good_days=share)
    assert words in text_of(page_and_twin(study)[0], "today")


def test_the_kits_reading_is_told_where_it_differs():
    """And what becomes of settings that are left alone beside it."""
    words = text_of(page_and_twin(build_study("full"))[0], "today")
    assert "with this followed, 8.5 as this kit reads; 6.5 with today's settings left" in words
    same = with_chances(build_study("full"), good_days_as_kit_reads=0.92)
    assert "as this kit reads" not in text_of(page_and_twin(same)[0], "today")


def test_what_is_set_now_stands_in_brackets_where_it_differs():
    """2220 mL/h are to be set where 2600 run; without a change there is no bracket."""
    study = build_study("full")
    assert "Pump: 2220 mL/h (now 2600)" in text_of(page_and_twin(study)[0], "today")
    same = with_plan(study, today=replace(study.plan.today, flow_ml_h=2600.0))
    assert "Pump: 2600 mL/h D" in text_of(page_and_twin(same)[0], "today").replace("Dosing", "D")


def test_the_row_that_is_told_of_a_rule_is_the_one_that_changes_nothing():
    """The terminal names the readings that are as meant."""
    _, case = quiet_case(Numbers(page_and_twin(build_study("full"))[1]))
    assert (case["do"], case["flow_change_ml_h"]) == ("set", 0.0)
    assert not any(case["dose_changes"].values())


def test_knowledge_and_prospects_are_two_lines():
    """How well the flow is known is not how surely the band holds."""
    words = text_of(page_and_twin(build_study("full"))[0], "today")
    assert "The flow it needs is well known: 1980 to 2440 mL/h" in words
    assert "The flow it needs is not known yet" in text_of(
        page_and_twin(build_study("wide"))[0], "today"
    )
    planned = text_of(page_and_twin(build_study("no reactor"))[0], "today")
    assert "The flow of a reactor to come is fairly known" in planned
    assert "Trust" not in words


@pytest.mark.parametrize(
    ("variant", "high", "word"),
    [
        ("full", 1.24, "well"),
        ("full", 1.5, "fairly"),
        ("full", 2.1, "poorly"),
        ("start", 1.24, "fairly"),
    ],
)
def test_a_wide_range_is_not_well_known(variant, high, word):
    """Nor a narrow one of a model that is not to be trusted far."""
    study = build_study(variant)
    setting = replace(study.recommendation.flow.setting, low_ml_h=2000.0, high_ml_h=2000.0 * high)
    flow = replace(study.recommendation.flow, setting=setting)
    changed = replace(study, recommendation=replace(study.recommendation, flow=flow))
    assert f"The flow it needs is {word} known: 2000 to" in text_of(
        page_and_twin(changed)[0], "today"
    )


def test_no_test_that_fits_is_said():
    """No minutes, no test: the line does not vanish."""
    study = with_plan(build_study("full"), tests=(), minutes_per_week=0.0)
    assert "Next test: none fits into 0 minutes a week" in text_of(page_and_twin(study)[0], "today")


def test_tanks_without_a_reactor_read_their_dosing_first():
    """The reactor is a plan, folded; solutions that carry the same are either one or the other."""
    html, _ = page_and_twin(build_study("no reactor"))
    assert "Pump:" not in text_of(html, "today")
    assert "A reactor, as a plan: about 2220 mL/h" in text_of(html, "need")
    study = build_study("no reactor")
    first = study.tank.solutions["soda"]
    solutions = {**study.tank.solutions, "ash": replace(first, name="ash")}
    rates = study.recommendation.dose_ml_d
    two = replace(
        study,
        tank=replace(study.tank, solutions=solutions),
        recommendation=replace(
            study.recommendation, dose_ml_d={**rates, "ash": 0.5 * rates["soda"]}
        ),
        plan=replace(
            study.plan,
            today=replace(study.plan.today, dose_ml_d={**study.plan.today.dose_ml_d, "ash": 0.0}),
        ),
    )
    rows = text_of(page_and_twin(two)[0], "why")
    assert "either soda" in rows
    assert "or ash" in rows
    assert "either chloride" not in rows


@pytest.mark.parametrize("variant", EVERY)
def test_at_most_three_cautions_and_who_prevails(variant):
    """Many warnings are read as none; the others are behind a fold, with their sources."""
    html, _ = page_and_twin(build_study(variant))
    section = section_of(html, "cautions")
    assert 1 <= section.split("<details>")[0].count("<li>") <= 3
    words = words_of(html, "cautions")
    for who in ("local codes", "gas supplier", "licensed", "veterinarian"):
        assert who in words
    for part in ("burst disc", "check valve", "clogged outlet", "power cut", "pH probe"):
        assert part in words
    assert "Discard the first effluent of new media" in words


def test_days_and_hours_are_those_of_the_calendar():
    """9 April 2026 was a Thursday (ISO 8601 week 15)."""
    assert date(2026, 4, 9).isocalendar() == (2026, 15, 4)
    html, twin = page_and_twin(build_study("full"))
    test = datetime.fromisoformat(twin["plan"]["tests"][0]["time"])
    assert test == datetime(2026, 4, 12, 18, 30)
    assert "Next test: Sun 12 Apr, 18:30: tank alkalinity twice with drops (8 min)" in text_of(
        html, "today"
    )


@pytest.mark.parametrize(
    ("variant", "kind", "sooner"),
    [("full", "hold", True), ("no reactor", "dose", True), ("correct", "correct", False)],
)
def test_without_a_table_a_reading_outside_the_band_calls_for_a_report(variant, kind, sooner):
    """Page and terminal say so alike; not where the level is known to stand outside, nor beside a
    table that says what to do."""
    study = with_plan(build_study(variant), rule=None, kind=kind)
    page, twin = page_and_twin(study)
    words = "or at once when alkalinity reads outside its band"
    assert (words in told(section_of(page, "today"))) == sooner
    line = next(
        one
        for one in terminal_lines(twin, "a.html", "a.json")
        if one.startswith("By what it reads")
    )
    assert ("outside the band run the report at once" in line) == sooner
    ruled, _ = page_and_twin(build_study("full"))
    assert words not in told(section_of(ruled, "today"))
