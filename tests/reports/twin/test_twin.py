"""The JSON twin: its shape is a contract that others read."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from estimator.inputs.records import Action
from estimator.inputs.tank import Target
from helpers.studies import DRAWS, build_study
from reports.blocks import Numbers
from reports.page.sections.next_tests import worth_line
from reports.twin.build import build_twin, to_json
from reports.twin.quantities import quantiles

Q = {"q05", "q25", "q50", "q75", "q95", "mean", "sd"}
TOP = {
    "schema_version",
    "status",
    "status_reasons",
    "as_of",
    "uptake",
    "calcium_per_alkalinity",
    "level_now",
    "water_volume_l",
    "kits",
    "effluent",
    "flow",
    "supplies",
    "change_over",
    "plan",
    "chamber",
    "tank_ph",
    "magnesium",
    "level_response",
    "media_magnesium_share_pct",
    "outlook",
    "watch",
    "alarms",
    "withheld_figures",
    "odd_readings",
    "diagnostics",
    "inputs",
}


def is_q(found):
    return set(found) >= Q and all(isinstance(found[key], float | int) for key in Q)


def ordered(found):
    return found["q05"] <= found["q25"] <= found["q50"] <= found["q75"] <= found["q95"]


def test_every_kind_of_report_keeps_the_contract(study):
    """Outside readers find every agreed key, of the agreed shape, whatever the tank."""
    twin = json.loads(to_json(build_twin(study)))
    assert set(twin) >= TOP
    assert twin["schema_version"] == 1
    assert twin["status"] in ("recommended", "withheld")
    assert datetime.fromisoformat(twin["as_of"]) == study.log.end
    for name in ("alkalinity", "calcium"):
        part = twin["uptake"][name]
        assert part["unit"] == {"alkalinity": "dKH/day", "calcium": "mg/L/day"}[name]
        assert is_q(part["now"])
        assert [date.fromisoformat(day["date"]) for day in part["by_day"]] == list(
            study.posterior.days
        )
        assert all(is_q(day) and ordered(day) for day in part["by_day"])
    assert is_q(twin["calcium_per_alkalinity"])
    assert is_q(twin["water_volume_l"])
    assert is_q(twin["level_now"]["alkalinity"])
    assert twin["level_now"]["alkalinity"]["unit"] == "dKH"
    assert set(twin["kits"]) == set(study.posterior.kit_repeatability)
    for kit in twin["kits"].values():
        assert is_q(kit["calibration_pct"])
        assert is_q(kit["repeatability"])
    assert is_q(twin["effluent"]["alkalinity"])
    assert twin["effluent"]["alkalinity"]["unit"] == "dKH"
    assert is_q(twin["supplies"]["media_g_per_day"])
    assert is_q(twin["supplies"]["co2_g_per_day"])
    assert all(one["unit"] == "mL/day" and is_q(one["needed"]) for one in twin["dosing"].values())
    assert set(twin["diagnostics"]) >= {
        "r_hat_max",
        "ess_bulk_min",
        "ess_tail_min",
        "divergences",
        "chains",
        "draws",
        "seconds",
    }
    assert set(twin["inputs"]) >= {
        "log_sha256",
        "tank_sha256",
        "rows",
        "readings",
        "actions",
        "rows_without_time",
    }


def test_flow_keeps_the_contract(study):
    """The flow has its range where recommended and null where withheld, and needed always."""
    twin = build_twin(study)
    flow = twin["flow"]
    assert flow["unit"] == "mL/h"
    assert is_q(flow["needed"])
    assert flow["horizon_days"] == 14
    if twin["status"] == "withheld":
        assert flow["recommended"] is None
        assert flow["in_band_probability"] is None
        assert twin["status_reasons"]
    else:
        assert set(flow["recommended"]) == {"low", "high", "set_to"}
        assert flow["recommended"]["low"] <= flow["needed"]["q05"]
        assert flow["recommended"]["high"] >= flow["needed"]["q95"]
        assert 0 <= flow["in_band_probability"] <= 1


def test_calcium_never_tested_has_no_level():
    """An untested level is null, not a guess; its uptake is still given, and marked."""
    twin = build_twin(build_study("no calcium"))
    assert twin["level_now"]["calcium"] is None
    assert twin["uptake"]["calcium"]["tested"] is False


def test_values_are_in_the_keepers_units():
    """1 dKH is 10 mg/L of CaO (DIN), so 1 meq/L is 2.8039 dKH and pure CaCO3 has 7.147 mg/L of
    calcium for each dKH (10 × 40.078/56.077)."""
    study = build_study("full")
    twin = build_twin(study)
    meq = float(np.median(study.posterior.uptake_meq_l_d[:, -1]))
    assert twin["uptake"]["alkalinity"]["now"]["q50"] == pytest.approx(meq * 2.80385, rel=1e-5)
    # The factory's draws all have half a mole of calcium for each equivalent.
    assert twin["calcium_per_alkalinity"]["q50"] == pytest.approx(7.1470, rel=1e-4)


@pytest.mark.parametrize(
    ("unit", "per_meq"), [("meq/L", 1.0), ("mmol/L", 1.0), ("mg/L CaCO3", 50.043)]
)
def test_alkalinity_unit_is_that_of_the_band(unit, per_meq):
    """A keeper who thinks in another unit gets every alkalinity in it.

    50.043 mg/L of CaCO3 is 1 meq/L: half its molar mass of 100.086.
    """
    study = build_study("full")
    band = study.tank.targets["alkalinity"]
    targets = {**study.tank.targets, "alkalinity": Target(band.low, band.high, unit)}
    twin = build_twin(replace(study, tank=replace(study.tank, targets=targets)))
    level = float(np.median(study.posterior.alkalinity_now_meq_l))
    assert twin["level_now"]["alkalinity"]["unit"] == unit
    assert twin["level_now"]["alkalinity"]["q50"] == pytest.approx(level * per_meq, rel=1e-5)
    assert twin["uptake"]["alkalinity"]["unit"] == f"{unit}/day"
    assert twin["effluent"]["alkalinity"]["unit"] == unit


def test_odd_readings_are_those_less_likely_ordinary_than_not():
    """A slip is listed with its row and the value as the keeper wrote it."""
    study = build_study("full")
    slip = study.posterior.checks[3].reading
    (odd,) = build_twin(study)["odd_readings"]
    assert odd["row"] == slip.row
    assert odd["value"] == pytest.approx(slip.value * 2.80385, rel=1e-5)
    assert odd["unit"] == "dKH"
    assert odd["entry"] == "alkalinity"
    assert odd["chance_ordinary"] < 0.5


def test_flagged_entries_are_all_listed():
    """What was flagged on reading the log is never hidden."""
    flagged = build_twin(build_study("full"))["flagged"]
    assert [entry["flags"] for entry in flagged] == [
        ["outside the usual range"],
        ["a large change"],
    ]


def test_flagged_entries_that_repeat_one_another_are_one():
    """Three thousand equal rows make no page of a megabyte; how many there are is told."""
    study = build_study("full")
    first = replace(study.log.readings[0], flags=("same as row 2",))
    rows = tuple(replace(first, row=9000 + i) for i in range(4))
    log = replace(study.log, readings=rows + study.log.readings[1:])
    entry = build_twin(replace(study, log=log))["flagged"][0]
    assert (entry["row"], entry["more_like_it"], entry["more_rows"]) == (
        9000,
        3,
        [9001, 9002, 9003],
    )
    # A row that is repeated on other days is one row.
    log = replace(log, readings=(rows[0], *rows, *study.log.readings[1:]))
    entry = build_twin(replace(study, log=log))["flagged"][0]
    assert (entry["more_like_it"], entry["more_rows"]) == (4, [9001, 9002, 9003])


def test_numbers_that_are_not_finite_become_null():
    """The file stays valid JSON even where a check could not be computed."""
    text = to_json(build_twin(build_study("failed")))
    assert json.loads(text)["diagnostics"]["r_hat_max"] is None
    assert "NaN" not in text
    assert "Infinity" not in text


def test_keys_are_sorted_and_text_ends_with_a_newline():
    """Two files can be compared line by line."""
    text = to_json(build_twin(build_study("full")))
    assert list(json.loads(text)) == sorted(json.loads(text))
    assert text.endswith("}\n")


def test_seconds_only_on_request():
    """Timings differ from run to run, so they would break byte-for-byte repeatability."""
    study = build_study("full")
    assert build_twin(study)["diagnostics"]["seconds"] == {}
    assert build_twin(study, timings=True)["diagnostics"]["seconds"] == {"fit": 1.5}


def test_quantiles_of_known_draws():
    """Quantiles of 0..100 are their own percentages."""
    found = quantiles(np.arange(101.0))
    assert [found[key] for key in ("q05", "q25", "q50", "q75", "q95", "mean")] == pytest.approx(
        [5, 25, 50, 75, 95, 50]
    )


def test_the_guide_names_every_key():
    """DEVELOPERS.md has a row for each part of the twin."""
    guide = (Path(__file__).parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = guide[guide.index("## The JSON twin") : guide.index("## Dependencies")]
    assert {key for key in build_twin(build_study("full")) if f"`{key}`" not in told} == set()


PLAN_KINDS = {"hold", "hand_over", "dose", "correct", "check", "none"}


def test_plan_keeps_the_contract(study):
    """Every agreed key, of the agreed shape: never null what is set today and when is reported."""
    twin = json.loads(to_json(build_twin(study)))
    plan = twin["plan"]
    assert plan["kind"] in PLAN_KINDS
    begins, again = (date.fromisoformat(plan[key]) for key in ("begins", "report_again"))
    assert begins < again <= begins + timedelta(days=7)
    assert set(plan["today"]) == {"flow_ml_h", "dose_rates", "once"}
    assert set(plan["today"]["dose_rates"]) == set(study.tank.solutions)
    assert set(plan["present"]["dose_rates"]) == set(study.tank.solutions)
    assert (plan["today"]["flow_ml_h"] is None) == (study.tank.reactor is None)
    assert all(set(one) == {"date", "solution", "ml"} for one in plan["today"]["once"])
    for test in plan["tests"]:
        assert set(test) == {"time", "entry", "of", "kit", "repeats", "minutes", "serves"}
        assert twin["as_of"] < test["time"] < (again + timedelta(days=1)).isoformat()
        assert test["serves"] in ("rule", "learning")
    if plan["chances"] is None:
        assert plan["levels"] == plan["left_alone_levels"] == []
        return
    shares = {key: plan["chances"][key] for key in plan["chances"] if "days" in key}
    days = shares.pop("judged_days")
    assert all(0 <= share <= 1 for share in shares.values())
    assert len(plan["levels"]) == days
    assert date.fromisoformat(plan["levels"][0]["date"]) == begins + timedelta(days=1)
    assert is_q(plan["chances"]["largest_daily_rise"])


def test_levels_of_the_plan_are_in_the_keepers_unit():
    """2.9245 meq/L are 8.2 dKH (DIN: 10 mg/L of CaO each)."""
    study = build_study("full")
    middle = float(np.median(study.plan.levels_meq_l[3]))
    twin = build_twin(study)
    assert twin["plan"]["levels"][3]["q50"] == pytest.approx(2.80385 * middle, rel=1e-5)
    assert twin["plan"]["rise_limit"] == pytest.approx(0.5, rel=1e-4)


def test_rule_is_in_the_kits_unit_with_its_figures():
    """The rows meet half way between figures of a kit in steps of 0.3: 7.65 is between 7.5 and
    7.8; every row has every change where something is set, else null."""
    study = build_study("start")
    rule = build_twin(study)["plan"]["rule"]
    assert (rule["entry"], rule["of"], rule["unit"], rule["step"]) == (
        *("alkalinity", "tank", "dKH"),
        0.3,
    )
    assert [case["reading_from"] for case in rule["cases"]] == [
        *(None, 5.85, 7.05, 7.65),
        *(8.55, 9.15, 10.35),
    ]
    assert [case["figures_to"] for case in rule["cases"]] == [
        *(5.7, 6.9, 7.5, 8.4),
        *(9.0, 10.2, None),
    ]
    for case, after in pairwise(rule["cases"]):
        assert case["reading_to"] == after["reading_from"]
        assert case["figures_to"] + 0.3 == pytest.approx(after["figures_from"])
    for case in rule["cases"]:
        assert (case["do"] == "set") == (case["dose_changes"] is not None)
        assert (case["do"] == "set") == (case["flow_change_ml_h"] is not None)
        assert case["last_from"] is None
    assert rule["cases"][2]["dose_changes"] == {"soda": 12.0, "chloride": 6.0}


def test_rungs_stand_until_the_report_and_steps_to_the_end():
    """`ladder` is what is to be done, `change_over` how it comes if all goes as expected."""
    twin = build_twin(build_study("start"))
    plan, steps = twin["plan"], twin["change_over"]
    assert [rung["flow_ml_h"] for rung in plan["ladder"]] == [300.0, 1200.0]
    assert plan["ladder"][1]["takes"] == {"soda": 60.0, "chloride": 30.0}
    assert [step["flow_ml_h"] for step in steps] == [300.0, 1200.0, 2220.0]
    assert steps[0]["dose_rates"] == {"soda": 120.0, "chloride": 60.0}
    assert is_q(steps[0]["alkalinity"])
    assert plan["ends_at_ml_h"] == 2220.0
    assert build_twin(build_study("full"))["change_over"] == []


@pytest.mark.parametrize(
    ("variant", "action"),
    [
        *(("full", "lower"), ("leave", "leave"), ("start", "start"), ("alarmed", "raise")),
        ("no reactor", None),
    ],
)
def test_action_is_that_of_the_pump_today(variant, action):
    """By what is set now and what is to be set."""
    assert build_twin(build_study(variant))["plan"]["action"] == action


def test_supplies_keep_the_contract(study):
    """Days left where the charge is known, else null; CO2 is the reactor job's own figure."""
    twin = build_twin(study)
    stock = study.job and study.job.supplies
    for name in ("media", "co2"):
        days = twin["supplies"][f"{name}_days_left"]
        assert (days is None) == (stock is None or getattr(stock, name) is None)
        assert days is None or (is_q(days) and ordered(days))
    if stock is not None:
        used = twin["supplies"]["co2_g_per_day"]["q50"]
        assert used == pytest.approx(float(np.median(stock.co2_g_d)), rel=1e-5)


def test_refill_is_dated_from_the_last_entry():
    """45 days from the last entry; null where the supply outlasts ten years."""
    study = build_study("full")
    media = build_twin(study)["supplies"]["media"]
    days = (date.fromisoformat(media["refill_on"]["middle"]) - study.log.end.date()).days
    assert days == pytest.approx(media["refill_days"]["q50"], abs=1)
    assert media["refill_on"]["earliest"] < media["refill_on"]["latest"]
    assert build_twin(build_study("leave"))["supplies"]["co2"]["refill_on"]["middle"] is None


def test_failed_fit_has_no_reactor_job():
    """Empty or null, with every key in its place."""
    twin = build_twin(build_study("failed"))
    assert twin["change_over"] == []
    for key in ("chamber", "tank_ph", "magnesium", "outlook", "watch"):
        assert twin[key] is None
    assert twin["supplies"]["media_days_left"] is None
    assert twin["supplies"]["notes"] == []


def test_outlook_and_magnesium_are_in_the_keepers_unit():
    """1 mmol/L of calcium is 40.078 mg/L, of magnesium 24.305 (IUPAC standard atomic weights)."""
    study = build_study("full")
    twin = build_twin(study)
    ahead = study.job.outlook
    for name, weight in (("calcium", 40.078), ("magnesium", 24.305)):
        change = float(np.median(getattr(ahead, name).change[3]))
        assert twin["outlook"][name]["unit"] == "mg/L"
        assert twin["outlook"][name]["change"]["3"]["q50"] == pytest.approx(
            weight * change, rel=1e-4
        )
    month = 30 * 24.305 * float(np.median(study.job.supplies.magnesium.trend_mmol_l_d))
    assert twin["magnesium"]["change_per_month"]["q50"] == pytest.approx(month, rel=1e-4)


def test_watch_chances_add_up_and_sizes_carry_no_sign(study):
    """What may have changed and nothing at all share the whole chance."""
    found = build_twin(study)["watch"]
    if found is None:
        return
    total = found["nothing_probability"] + sum(c["probability"] for c in found["changes"])
    assert total == pytest.approx(1.0, abs=1e-4)
    assert all(0 <= c["size"]["q05"] <= c["size"]["q95"] for c in found["changes"])
    assert {c["size"]["unit"] for c in found["changes"]} <= {"%", "dKH/day"}
    assert found["window_days"] == len(found["days"])


def test_chamber_grid_has_its_axes(study):
    """What the figure draws stands in the twin; CO2 without bound is null."""
    found = json.loads(to_json(build_twin(study)))["chamber"]
    if found is None:
        return
    shape = len(found["ph_axis"]), len(found["flow_axis_ml_h"])
    for key in ("supply_over_need", "holding_probability"):
        assert np.array(found[key]).shape == shape
    assert len(found["co2_g_per_day"]) == shape[0]
    assert found["co2_g_per_day"][-1] is None
    assert (found["region"] is None) == (found["least_co2_g_per_day"] is None)


def test_next_tests_keep_the_contract(study):
    """Ranked by expected width; percentages follow from the widths; nothing after a failed fit."""
    twin = build_twin(study)
    tests = twin["next_tests"]
    if twin["diagnostics"]["failures"]:
        assert tests == []
        assert twin["testing"] is None
        return
    assert len(tests) >= 1
    widths = [one["expected_width"] for one in tests]
    assert widths == sorted(widths)
    for one in tests:
        assert {"test", "repeats", "width_now", "narrowing_mc_error_pct", "minutes"} <= one.keys()
        part = 100 * (1 - one["expected_width"] / one["width_now"])
        assert one["narrowing_pct"] == pytest.approx(part, abs=1e-3)
    widths = twin["testing"]["how_much"]["width_by_tests"]
    assert widths == sorted(widths, reverse=True)


def test_a_test_with_a_risk_is_ranked_but_not_put_first():
    """Stopping all additions narrows most here; the advice is the safe test of fewest minutes."""
    twin = build_twin(build_study("full"))
    assert twin["next_tests"][0]["risk"]
    assert twin["testing"]["next"] == 1
    line = str(worth_line(Numbers(twin)).striptags())
    assert "stop all additions" not in line
    assert "Of single tests, tank alkalinity narrows the flow range most" in line


def with_posterior(study, **changes):
    return replace(study, posterior=replace(study.posterior, **changes))


def test_effluent_tells_the_chambers_limit():
    """Saturated effluent, how far it comes and the most it gives follow from the supply law.

    X_sat 10 meq/L over the middle, half of it reached at 62.4 L/day, F0 62.4 L/day in 600 L: at
    most 62.4 · 10 / 600 = 1.04 meq/L a day; 1 meq/L is 2.8039 dKH (DIN).
    """
    study, ones = build_study("full"), np.ones(DRAWS)
    law = study.posterior.law._replace(
        volume_l=600.0 * ones,
        saturated_meq_l=10.0 * ones,
        half_flow_l_d=62.4 * ones,
    )
    found = build_twin(with_posterior(study, law=law, volume_l=law.volume_l))["effluent"]
    assert found["saturated"]["q50"] == pytest.approx(8.2 + 28.039, abs=0.01)
    assert found["reached_pct"]["q50"] == pytest.approx(50.0)
    assert found["most_supply"]["unit"] == "dKH/day"
    assert found["most_supply"]["q50"] == pytest.approx(1.04 * 2.8039, abs=0.001)


def test_level_response_is_in_the_keepers_unit():
    """0.28039 per meq/L is 10 % for each dKH; nothing where only the net change is seen."""
    study = build_study("full")
    found = build_twin(with_posterior(study, level_response_l_meq=np.full(DRAWS, 0.28039)))
    assert found["level_response"]["unit"] == "%/dKH"
    assert found["level_response"]["q50"] == pytest.approx(10.0, abs=0.001)
    assert build_twin(build_study("net change"))["level_response"] is None


def test_media_magnesium_is_told_where_a_medium_is_stated():
    """A tank file that names none leaves nothing to tell."""
    study = build_study("full")
    assert build_twin(study)["media_magnesium_share_pct"] is None
    reactor = replace(study.tank.reactor, magnesium_media="hydroxide", magnesium_media_fraction=0.1)
    stated = replace(study, tank=replace(study.tank, reactor=reactor))
    found = build_twin(stated)["media_magnesium_share_pct"]
    share = np.median(study.posterior.media_magnesium_share)
    assert found["q50"] == pytest.approx(100 * float(share), rel=1e-4)


def test_chances_as_the_kit_reads_stand_beside_the_true_ones():
    """For the setting and for going on as now, null where there is none, with the rhythm."""
    flow = build_twin(build_study("full"))["flow"]
    assert (flow["in_band_as_kit_reads"], flow["current_in_band_as_kit_reads"]) == (0.56, 0.15)
    assert flow["read_every_days"] == 2
    assert build_twin(build_study("wide"))["flow"]["in_band_as_kit_reads"] is None
    hidden = build_twin(build_study("alkalinity withheld"))["flow"]
    assert hidden["current_in_band_as_kit_reads"] is None


def test_an_instruments_readings_are_told_as_the_means_that_they_are():
    """Hourly readings come as means of half days, each with how many it is of; none is lost."""
    study = build_study("full")
    first, end = study.log.readings[0], study.log.end
    hourly = tuple(
        replace(first, row=500 + h, time=end + timedelta(hours=h), kit="probe", value=2.9)
        for h in range(1, 49)
    )
    log = replace(study.log, readings=(*study.log.readings, *hourly), end=hourly[-1].time)
    told = [r for r in build_twin(replace(study, log=log))["readings"] if r["kit"] == "probe"]
    assert sum(one["mean_of"] for one in told) == 48
    assert len(told) <= 6
    assert {r["mean_of"] for r in build_twin(study)["readings"]} == {1}


def test_readings_are_told_at_the_stated_salinity_beside_as_they_were_read():
    """At a salinity read as 33.6 for weeks a reading stands for 35/33.6 of it at 35."""
    study = build_study("full")
    first = study.log.readings[0]
    salty = tuple(
        replace(first, row=600 + j, time=first.time + timedelta(days=j), parameter="salinity")
        for j in range(39)
    )
    salty = tuple(replace(one, value=33.6, unit="g/kg", kit="") for one in salty)
    log = replace(study.log, readings=(*study.log.readings, *salty))
    used = [
        r
        for r in build_twin(replace(study, log=log))["readings"]
        if r["used"] and r["sample"] == "tank"
    ]
    assert used
    for one in used:
        assert one["at_stated_salinity"] == pytest.approx(one["value"] * 35 / 33.6, rel=0.005)
    # Effluent is weighed as it is read.
    checks = study.posterior.checks
    effluent = replace(first, row=700, sample="effluent", value=9.0)
    checked = with_posterior(study, checks=(*checks, replace(checks[0], reading=effluent)))
    log = replace(log, readings=(*log.readings, effluent))
    (told,) = [r for r in build_twin(replace(checked, log=log))["readings"] if r["row"] == 700]
    assert told["used"]
    assert told["at_stated_salinity"] == told["value"]
    for one in build_twin(study)["readings"]:
        assert one["at_stated_salinity"] == (one["value"] if one["used"] else None)


def test_sizes_of_changes_rise_from_low_to_high():
    """Whichever way a change goes, and in whichever order its points were found."""
    study = build_study("leave")
    changes = (
        replace(study.job.watch.changes[0], direction="down", size=(-0.5, -0.3, -0.2)),
        replace(study.job.watch.changes[1], direction="down", size=(-0.2, -0.3, -0.5)),
    )
    watched = replace(study.job.watch, changes=changes)
    found = build_twin(replace(study, job=replace(study.job, watch=watched)))["watch"]
    for one in found["changes"]:
        assert one["size"]["q05"] < one["size"]["q50"] < one["size"]["q95"]
    by_day = np.array([0.0, 0.1, 0.6, 0.3, *[0.0] * 10])
    watched = replace(watched, changes=(replace(changes[0], by_day=by_day),))
    found = build_twin(replace(study, job=replace(study.job, watch=watched)))["watch"]
    assert found["changes"][0]["most_likely_on"] == watched.days[2].isoformat()
    assert found["kit_window_days"] == 14


def test_flagged_actions_are_told_with_value_and_unit():
    """Water in the keeper's own unit, all else as the log has it."""
    study = build_study("full")
    when = study.log.end
    done = (
        Action(950, when, "water_change", "new", 37.85411784, flags=("much",)),
        Action(951, when, "dose", "soda", 25.0, flags=("much",)),
        Action(952, when, "stock_change", "", None, flags=("odd",)),
    )
    told = replace(
        study,
        log=replace(study.log, actions=(*study.log.actions, *done)),
        tank=replace(study.tank, volume_unit="gal"),
    )
    found = {entry["row"]: entry for entry in build_twin(told)["flagged"]}
    assert [found[row]["entry"] for row in (950, 951, 952)] == [
        *("water_change", "dose", "stock_change")
    ]
    assert found[950]["value"] == pytest.approx(10.0, rel=1e-5)
    assert [found[row]["value"] for row in (951, 952)] == [25.0, None]
    assert [found[row]["unit"] for row in (950, 951)] == ["gal", "mL"]
