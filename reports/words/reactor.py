"""Words for remarks on chamber, tank pH, supplies and outlook."""

from __future__ import annotations

from estimator.inputs.parameters import ALKALINITY, PARAMETERS
from estimator.inputs.tank import Tank
from reports.words.values import Values, Words

_MUSH = "Below about pH {ph} media may turn to mush and clog (common practice, no source)."
_NO_PH = "At no chamber pH from {low_ph} to {high_ph} does "
_NO_FLOW = (
    _NO_PH + "the needed flow lie inside the pump's limits ({flow_min_ml_h:g} to "
    "{flow_max_ml_h:g} mL/h) with a chance of {chance:.0%}. "
)


def _dkh(meq_l: float) -> str:
    return f"{ALKALINITY.from_canonical(meq_l, 'dKH'):.0f} dKH"


def _too_strong(v: Values, _: Tank) -> str:
    return (
        f"An effluent of {_dkh(v['alkalinity_meq_l'])} is stronger than aragonite media can make "
        f"it at pH {v['chamber_ph']:.2f} (at most {_dkh(v['ceiling_meq_l'])}). Calibrate the "
        "chamber's pH probe, test the effluent again diluted with pure water, and look whether the "
        "media is of a kind that dissolves more easily."
    )


def _too_weak(v: Values, _: Tank) -> str:
    return (
        f"An effluent of {_dkh(v['alkalinity_meq_l'])} is weaker than the tank's own water "
        f"({_dkh(v['tank_meq_l'])}). Look whether the sample came from the effluent line, and test "
        "both waters again."
    )


def _drift(v: Values) -> str:
    parameter, unit = PARAMETERS[v["parameter"]], v["unit"]
    low, middle, high = (
        parameter.from_canonical(v[key], unit) for key in ("q05_mmol_l", "q50_mmol_l", "q95_mmol_l")
    )
    return f"{middle:+.2g} {unit} a month (90 % range {low:+.2g} to {high:+.2g})"


def _never_tested(v: Values, _: Tank) -> str:
    return (
        f"{v['parameter'].capitalize()} was never tested, so where it stands is not known; while "
        f"alkalinity is held it would change by {_drift(v)}. Test it once, then run the report "
        "again."
    )


def _out_now(v: Values, _: Tank) -> str:
    title = v["parameter"].capitalize()
    return f"{title} is likely out of its band now ({v['out_now']:.0%}); it changes by {_drift(v)}."


def _doubt(v: Values) -> str:
    out = v["out_now"]
    return f" It may be out of the band already ({out:.0%})." if v["perhaps_out_now"] else ""


def _stays(v: Values, _: Tank) -> str:
    title = v["parameter"].capitalize()
    return f"{title} changes by {_drift(v)}: a test twice a year is enough.{_doubt(v)}"


def _leaves(v: Values, _: Tank) -> str:
    title, weeks = v["parameter"].capitalize(), v["test_weeks"]
    often = {0: "now, and twice a week", 1: "every week"}.get(weeks, f"every {weeks} weeks")
    return (
        f"{title} changes by {_drift(v)} and would leave its band in time: test it {often}."
        f"{_doubt(v)}"
    )


def _unread(v: Values) -> str:
    return "" if v["magnesium_read"] else " Magnesium was never read, so nothing is said of it."


def _alone_enough(v: Values, _: Tank) -> str:
    return (
        "While the reactor holds alkalinity, alkalinity alone is enough for the next six "
        f"months.{_unread(v)}"
    )


def _alone_not_enough(v: Values, _: Tank) -> str:
    moving = v["moving"]
    verb = "does" if len(moving) == 1 else "do"
    return (
        f"Alkalinity alone is not enough here: {' and '.join(moving)} {verb} not surely stay in "
        f"the band for six months.{_unread(v)}"
    )


WORDS: dict[str, Words] = {
    "chamber_mush": _MUSH,
    "chamber_hardly_dissolves": "Media would hardly dissolve at this pH.",
    "chamber_near_saturation": (
        "At so low a flow the effluent comes near saturation: how much less flow will do is least "
        "sure here."
    ),
    "chamber_needs_above_pump": "The needed flow may lie above the pump's largest.",
    "chamber_needs_below_pump": "The needed flow may lie below the pump's smallest.",
    "chamber_least_co2": (
        "From pH {low_ph:.2f} to {high_ph:.2f} the CO2 used, all of which the tank has to pass on "
        "to the air, stays within {slack:.0%} of its least, {least_co2_g_d:.2g} g a day."
    ),
    "chamber_inside_pump": (
        "There the needed flow lies inside the pump's limits with a chance of at least "
        "{chance:.0%}."
    ),
    "chamber_keep_ph": "The present pH of {present_ph:.2f} lies inside: keep it.",
    "chamber_change_ph": (
        "The present pH of {present_ph:.2f} lies outside: {suggested_ph:.2f} is the least change."
    ),
    "chamber_no_ph_dissolves": (
        _NO_PH + "media dissolve surely enough to plan with. Test an effluent first."
    ),
    "chamber_pump_too_small": (
        _NO_FLOW + "Use a larger pump or a second chamber, or go on dosing part of the load."
    ),
    "chamber_pump_too_large": _NO_FLOW + "Use a smaller pump.",
    "chamber_no_ph_is_sure": (
        _NO_FLOW + "Narrow the needed flow first: test tank and effluent again."
    ),
    "effluent_too_strong": _too_strong,
    "effluent_too_weak": _too_weak,
    "tank_ph_fresh_air": (
        "fresh air to the skimmer, at the {outdoor_co2_ppm:.0f} ppm of outdoor air"
    ),
    "tank_ph_bubble_effluent": (
        "bubbling the effluent with air before it meets the tank (its outlet will scale)"
    ),
    "tank_ph_second_chamber": "a second chamber without gas",
    "tank_ph_higher_chamber_ph": (
        "a chamber pH of {chamber_ph:.2f}, with the larger flow that it needs"
    ),
    "tank_ph_never_read": (
        "No tank pH is in the log: these are figures for a usual tank and room. Log the tank's pH "
        "at lights on and at lights off for a week."
    ),
    "tank_ph_exchange_unknown": (
        "The tank's pH readings do not say how fast it gives CO2 to the air. Log pH at lights on "
        "and at lights off with the reactor running, and for some days at another flow or with the "
        "reactor's CO2 off."
    ),
    "tank_ph_room_assumed": (
        "The room's CO2 is taken as {room_co2_ppm:.0f} ppm, give or take {give_or_take_ppm:.0f}. "
        "Measure it and state `room_co2_ppm` in the tank file."
    ),
    "supplies_counted_from_first_flow": (
        "No `{entry}` is in the log: the charge is counted from the first flow, {since:%Y-%m-%d}, "
        "as if it had been full then."
    ),
    "outlook_never_tested": _never_tested,
    "outlook_out_now": _out_now,
    "outlook_stays": _stays,
    "outlook_leaves": _leaves,
    "outlook_alone_unknown": (
        "Whether alkalinity alone is enough is not known: calcium was never tested."
    ),
    "outlook_alone_enough": _alone_enough,
    "outlook_alone_not_enough": _alone_not_enough,
}
