"""Words for remarks on chamber, tank pH, supplies and outlook."""

from __future__ import annotations

from estimator.inputs.parameters import ALKALINITY, PARAMETERS
from estimator.inputs.tank import Tank
from reports.words.values import Values, Words

_DOUBT = " It may be out of the band already ({out_now:.0%})."
_NO_PH = "At no chamber pH from {low_ph} to {high_ph} does "
_NO_FLOW = (
    _NO_PH + "the needed flow lie inside the pump's limits ({flow_min_ml_h:g} to "
    "{flow_max_ml_h:g} mL/h) with a chance of {chance:.0%}. "
)


def _alkalinity(template: str) -> Words:
    """A template in which alkalinity is told in the keeper's unit: `{tank}` of `tank_meq_l`."""

    def tell(v: Values, tank: Tank) -> str:
        unit = tank.targets[ALKALINITY.name].unit
        told = {
            name.removesuffix("_meq_l"): f"{ALKALINITY.from_canonical(meq_l, unit):.3g} {unit}"
            for name, meq_l in v.items()
            if name.endswith("_meq_l")
        }
        return template.format(**v, **told)

    return tell


def _solution(template: str) -> Words:
    """A template on a dosed solution, with what it does to pH and what it is `{made_of}`."""

    def tell(v: Values, _: Tank) -> str:
        carbon = v["dic_per_eq"]
        made_of = {0.0: "hydroxide", 0.5: "carbonate", 1.0: "bicarbonate"}.get(
            round(carbon, 3), f"a mixture of {carbon:.2g} mol of carbon an equivalent"
        )
        effect = f"moves the daily mean by {v['change']:+.2f}"
        if abs(v["change"]) < 0.005:
            effect = "leaves pH as it is without the reactor's CO2"
        return template.format(made_of=made_of, effect=effect, **v)

    return tell


def _element(template: str) -> Words:
    """A template on one element, with its `{title}`, its `{drift}` in a month and `{doubt}`."""

    def tell(v: Values, _: Tank) -> str:
        parameter, unit = PARAMETERS[v["parameter"]], v["unit"]
        low, middle, high = (
            parameter.from_canonical(v[f"{point}_mmol_l"], unit) for point in ("q05", "q50", "q95")
        )
        weeks = v.get("test_weeks", 0)
        return template.format(
            title=v["parameter"].capitalize(),
            drift=f"{middle:+.2g} {unit} a month (90 % range {low:+.2g} to {high:+.2g})",
            doubt=_DOUBT.format(**v) if v.get("perhaps_out_now") else "",
            holds={0: "it may do so any day", 1: "it is likely to hold for a week"}.get(
                weeks, f"it is likely to hold for {weeks} weeks"
            ),
            **v,
        )

    return tell


def _magnesium_share(template: str) -> Words:
    """A template on the media's magnesium: changes of calcium a month, by share, and the test."""

    def tell(v: Values, tank: Tank) -> str:
        unit, calcium, magnesium = v["unit"], PARAMETERS["calcium"], PARAMETERS["magnesium"]
        band = tank.targets.get(magnesium.name)
        its_unit = magnesium.stated_unit(band.unit if band else "")
        told = {
            name: f"{calcium.from_canonical(v[f'{name}_mmol_l'], unit):+.2g} {unit}"
            for name in ("none", "half", "most")
        }
        return template.format(
            **told,
            half_pct=100 * v["half_share"],
            most_pct=100 * v["most_share"],
            low_pct=100 * v["low_share"],
            high_pct=100 * v["high_share"],
            less_calcium=f"{calcium.from_canonical(v['effluent_mmol_l'], unit):.2g} {unit}",
            more_magnesium=(
                f"{magnesium.from_canonical(v['effluent_mmol_l'], its_unit):.2g} {its_unit}"
            ),
        )

    return tell


_SHARE_TEST = (
    "What tells is calcium and magnesium of effluent and tank, each pair with one kit and "
    "repeated: at {most_pct:.2g} % the effluent holds {less_calcium} less calcium and "
    "{more_magnesium} more magnesium than at none."
)


def _alone(template: str) -> Words:
    """A template on whether alkalinity alone is enough; `{moving}` names what is not held."""

    def tell(v: Values, _: Tank) -> str:
        moving = v.get("moving", ())
        told = template.format(
            moving=" and ".join(moving), verb="does" if len(moving) == 1 else "do"
        )
        unread = " Magnesium was never read, so nothing is said of it."
        return told if v["magnesium_read"] else told + unread

    return tell


WORDS: dict[str, Words] = {
    "chamber_mush": (
        "Below about pH {ph} media may turn to mush and clog (common practice, no source)."
    ),
    "chamber_hardly_dissolves": "Media would hardly dissolve at this pH.",
    "chamber_cannot_carry": (
        "At this pH no flow may carry the load: the faster it flows, the weaker the effluent."
    ),
    "chamber_near_saturation": (
        "At so low a flow the effluent is nearly saturated: a slower pump makes it no stronger."
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
    "effluent_too_strong": _alkalinity(
        "An effluent of {alkalinity} is stronger than aragonite media can make it at "
        "pH {chamber_ph:.2f} (at most {ceiling}). Calibrate the chamber's pH probe, "
        "test the effluent again diluted with pure water, and look whether the media is of a kind "
        "that dissolves more easily."
    ),
    "effluent_too_strong_at_any_ph": _alkalinity(
        "An effluent of {alkalinity} is stronger than aragonite media can make it even "
        "at pH {chamber_ph:.1f}, as low as chambers are held (at most {ceiling}). "
        "Check the unit, test the effluent again diluted with pure water, and log the chamber's pH."
    ),
    "effluent_too_weak": _alkalinity(
        "An effluent of {alkalinity} is weaker than the tank's own water "
        "({tank}). Look whether the sample came from the effluent line, and test both "
        "waters again."
    ),
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
    "tank_ph_solution": _solution("Dosed instead of the reactor, {solution} ({made_of}) {effect}."),
    "tank_ph_solution_assumed": _solution(
        "Dosed instead of the reactor, {solution} (by its strength taken for {made_of}) {effect}. "
        "State its recipe to be sure."
    ),
    "supplies_counted_from_first_flow": (
        "No `{entry}` is in the log: the charge is counted from the first flow, {since}, "
        "as if it had been full then."
    ),
    "outlook_never_tested": _element(
        "{title} was never tested, so where it stands is not known; while alkalinity is held it "
        "would change by {drift}. One test would tell."
    ),
    "outlook_out_now": _element(
        "{title} is likely out of its band now ({out_now:.0%}); it changes by {drift}."
    ),
    "outlook_stays": _element(
        "{title} changes by {drift}: it is likely to hold for half a year.{doubt}"
    ),
    "outlook_leaves": _element(
        "{title} changes by {drift} and would leave its band in time: {holds}.{doubt}"
    ),
    "outlook_magnesium_decides": _magnesium_share(
        "Which way calcium goes hangs on how much of the magnesium medium dissolves, since that "
        "brings no calcium: {none} a month if none does, {half} if it is {half_pct:.2g} % of what "
        "dissolves, {most} if {most_pct:.2g} %; {low_pct:.1f} to {high_pct:.1f} % is likely. "
        + _SHARE_TEST
    ),
    "outlook_magnesium_causes": _magnesium_share(
        "The magnesium medium is the likely cause of calcium's fall, since what dissolves of it "
        "brings no calcium: {none} a month if none does, {most} if it is {most_pct:.2g} % of what "
        "dissolves; {low_pct:.1f} to {high_pct:.1f} % is likely. " + _SHARE_TEST
    ),
    "outlook_alone_unknown": (
        "Whether alkalinity alone is enough is not known: calcium was never tested."
    ),
    "outlook_alone_enough": _alone(
        "While the reactor holds alkalinity, alkalinity alone is enough for the next six months."
    ),
    "outlook_alone_not_enough": _alone(
        "Alkalinity alone is not enough here: {moving} {verb} not surely stay in the band for six "
        "months."
    ),
}
