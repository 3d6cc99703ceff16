"""The words for remarks on chamber, tank pH, supplies and outlook."""

from __future__ import annotations

import ast
from datetime import datetime
from pathlib import Path

import pytest

from estimator import units
from estimator.remark import Remark
from helpers.tanks import example_tank
from reports.words import reactor
from reports.words.table import words

DKH = units.MEQ_L_PER_DKH
ADVICE = Path(__file__).resolve().parents[3] / "estimator" / "advice"
MODULES = (
    *("chamber", "effluent_check", "ph_and_flow", "air_exchange", "tank_ph"),
    *("dissolved", "magnesium", "supplies", "outlook"),
)
SPAN = {"low_ph": 6.3, "high_ph": 7.2}
PUMP = {**SPAN, "flow_min_ml_h": 60.0, "flow_max_ml_h": 3000.0, "chance": 0.9}
NO_FLOW = (
    "At no chamber pH from 6.3 to 7.2 does the needed flow lie inside the pump's limits (60 to "
    "3000 mL/h) with a chance of 90%. "
)
FALLING = {
    "parameter": "calcium",
    "unit": "mg/L",
    "q05_mmol_l": -40 / units.CA_G_MOL,
    "q50_mmol_l": -30 / units.CA_G_MOL,
    "q95_mmol_l": 5 / units.CA_G_MOL,
    "out_now": 0.2,
    "perhaps_out_now": True,
}
DRIFT = "-30 mg/L a month (90 % range -40 to +5)"
SURE = {**FALLING, "perhaps_out_now": False}
SHARE = {
    "unit": "mg/L",
    "none_mmol_l": 13 / units.CA_G_MOL,
    "half_mmol_l": -5 / units.CA_G_MOL,
    "most_mmol_l": -22 / units.CA_G_MOL,
    "half_share": 0.05,
    "most_share": 0.1,
    "low_share": 0.0,
    "high_share": 0.074,
    "effluent_mmol_l": 0.5,
}
TOLD = [
    ("chamber_mush", {"ph": 6.3}, "Below about pH 6.3 media may turn to mush and clog (common"),
    ("chamber_hardly_dissolves", {}, "Media would hardly dissolve at this pH."),
    ("chamber_cannot_carry", {}, "At this pH no flow may carry the load"),
    ("chamber_near_saturation", {}, "At so low a flow the effluent is nearly saturated: a slower"),
    ("chamber_needs_above_pump", {}, "The needed flow may lie above the pump's largest."),
    ("chamber_needs_below_pump", {}, "The needed flow may lie below the pump's smallest."),
    (
        "chamber_least_co2",
        {"low_ph": 6.4, "high_ph": 6.6, "slack": 0.1, "least_co2_g_d": 13.04},
        "From pH 6.40 to 6.60 the CO2 used, all of which the tank has to pass on to the air, stays "
        "within 10% of its least, 13 g a day.",
    ),
    ("chamber_inside_pump", {"chance": 0.9}, "There the needed flow lies inside the pump's limits"),
    (
        "chamber_keep_ph",
        {"present_ph": 6.6, "suggested_ph": 6.6},
        "The present pH of 6.60 lies inside: keep it.",
    ),
    (
        "chamber_change_ph",
        {"present_ph": 6.4, "suggested_ph": 6.5},
        "The present pH of 6.40 lies outside: 6.50 is the least change.",
    ),
    ("chamber_no_ph_dissolves", SPAN, "At no chamber pH from 6.3 to 7.2 does media dissolve"),
    ("chamber_pump_too_small", PUMP, NO_FLOW + "Use a larger pump or a second chamber, or go on"),
    ("chamber_pump_too_large", PUMP, NO_FLOW + "Use a smaller pump."),
    ("chamber_no_ph_is_sure", PUMP, NO_FLOW + "Narrow the needed flow first: test tank and"),
    (
        "effluent_too_strong",
        {"alkalinity_meq_l": 60 * DKH, "chamber_ph": 6.5, "ceiling_meq_l": 45 * DKH},
        "An effluent of 60 dKH is stronger than aragonite media can make it at pH 6.50 (at most 45 "
        "dKH). Calibrate the chamber's pH probe, ",
    ),
    (
        "effluent_too_strong_at_any_ph",
        {"alkalinity_meq_l": 100 * DKH, "chamber_ph": 6.3, "ceiling_meq_l": 61 * DKH},
        "An effluent of 100 dKH is stronger than aragonite media can make it even at pH 6.3, as "
        "low as chambers are held (at most 61 dKH). Check the unit, ",
    ),
    (
        "effluent_too_weak",
        {"alkalinity_meq_l": 5 * DKH, "chamber_ph": 6.5, "tank_meq_l": 8 * DKH},
        "An effluent of 5 dKH is weaker than the tank's own water (8 dKH). Look whether the sample",
    ),
    (
        "tank_ph_fresh_air",
        {"outdoor_co2_ppm": 420.0},
        "fresh air to the skimmer, at the 420 ppm of outdoor air",
    ),
    ("tank_ph_bubble_effluent", {}, "bubbling the effluent with air before it meets the tank"),
    ("tank_ph_second_chamber", {}, "a second chamber without gas"),
    (
        "tank_ph_higher_chamber_ph",
        {"chamber_ph": 6.8},
        "a chamber pH of 6.80, with the larger flow that it needs",
    ),
    ("tank_ph_never_read", {}, "No tank pH is in the log: these are figures for a usual tank"),
    ("tank_ph_exchange_unknown", {}, "The tank's pH readings do not say how fast it gives CO2 to"),
    (
        "tank_ph_solution",
        {"solution": "soda", "dic_per_eq": 1.0, "change": -0.104},
        "Dosed instead of the reactor, soda (bicarbonate) moves the daily mean by -0.10.",
    ),
    (
        "tank_ph_solution_assumed",
        {"solution": "soda", "dic_per_eq": 0.5, "change": 0.0},
        "Dosed instead of the reactor, soda (by its strength taken for carbonate) leaves pH as it "
        "is without the reactor's CO2. State its recipe to be sure.",
    ),
    (
        "tank_ph_solution_assumed",
        {"solution": "soda", "dic_per_eq": 0.75, "change": -0.05},
        "Dosed instead of the reactor, soda (by its strength taken for a mixture of 0.75 mol of",
    ),
    (
        "tank_ph_room_assumed",
        {"room_co2_ppm": 600.0, "give_or_take_ppm": 300.0},
        "The room's CO2 is taken as 600 ppm, give or take 300. Measure it and state `room_co2_ppm`",
    ),
    (
        "supplies_counted_from_first_flow",
        {"entry": "media_change", "since": datetime(2026, 3, 1, 9)},
        "No `media_change` is in the log: the charge is counted from the first flow, 1 Mar 2026, "
        "as if it had been full then.",
    ),
    (
        "outlook_never_tested",
        FALLING,
        "Calcium was never tested, so where it stands is not known; while alkalinity is held it "
        f"would change by {DRIFT}. One test would tell.",
    ),
    (
        "outlook_out_now",
        {**FALLING, "out_now": 0.6},
        f"Calcium is likely out of its band now (60%); it changes by {DRIFT}.",
    ),
    (
        "outlook_stays",
        FALLING,
        f"Calcium changes by {DRIFT}: it is likely to hold for half a year. It may be out of the "
        "band already (20%).",
    ),
    (
        "outlook_leaves",
        {**SURE, "test_weeks": 3},
        f"Calcium changes by {DRIFT} and would leave its band in time: it is likely to hold for 3 "
        "weeks.",
    ),
    (
        "outlook_leaves",
        {**SURE, "test_weeks": 0},
        f"Calcium changes by {DRIFT} and would leave its band in time: it may do so any day.",
    ),
    (
        "outlook_magnesium_decides",
        SHARE,
        "Which way calcium goes hangs on how much of the magnesium medium dissolves, since that "
        "brings no calcium: +13 mg/L a month if none does, -5 mg/L if it is 5 % of what dissolves, "
        "-22 mg/L if 10 %; 0.0 to 7.4 % is likely. What tells is calcium and magnesium of effluent "
        "and tank, each pair with one kit and repeated: at 10 % the effluent holds 20 "
        "mg/L less calcium and 12 mg/L more magnesium than at none.",
    ),
    (
        "outlook_magnesium_causes",
        SHARE,
        "The magnesium medium is the likely cause of calcium's fall, since what dissolves of it "
        "brings no calcium: +13 mg/L a month if none does, -22 mg/L if it is 10 % of what",
    ),
    ("outlook_alone_unknown", {}, "Whether alkalinity alone is enough is not known: calcium was"),
    (
        "outlook_alone_enough",
        {"magnesium_read": False},
        "While the reactor holds alkalinity, alkalinity alone is enough for the next six months. "
        "Magnesium was never read, so nothing is said of it.",
    ),
    (
        "outlook_alone_not_enough",
        {"magnesium_read": True, "moving": ["calcium", "magnesium"]},
        "Alkalinity alone is not enough here: calcium and magnesium do not surely stay in the band",
    ),
    (
        "outlook_alone_not_enough",
        {"magnesium_read": True, "moving": ["magnesium"]},
        "Alkalinity alone is not enough here: magnesium does not surely stay in the band for six",
    ),
]


@pytest.mark.parametrize(("code", "values", "begins"), TOLD)
def test_the_keeper_reads_units_and_remedies(code: str, values: dict, begins: str) -> None:
    """Each remark becomes a sentence in the keeper's units, its numbers rounded."""
    assert words(Remark(code, values), example_tank()).startswith(begins)


def test_every_code_is_used_and_has_words() -> None:
    """The table has exactly the codes that the modules tell of."""
    trees = [ast.parse((ADVICE / f"{name}.py").read_text(encoding="utf-8")) for name in MODULES]
    nodes = [node for tree in trees for node in ast.walk(tree)]
    texts = {node.value for node in nodes if isinstance(node, ast.Constant)}
    calls = [node for node in nodes if isinstance(node, ast.Call) and node.args]
    first = [node.args[0] for node in calls if getattr(node.func, "id", "") == "Remark"]
    told = {node.value for node in first if isinstance(node, ast.Constant)}
    assert told <= set(reactor.WORDS) <= texts
