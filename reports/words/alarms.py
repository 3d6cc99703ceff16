"""Words of what stands before any setting: what it is, what lies behind it, what to look at first.

Causes and habits without another source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from estimator.inputs.tank import Tank
from reports.words.advice import UNKNOWNS
from reports.words.values import Values, Words, salinity_words, unticked


class AlarmWords(NamedTuple):
    """Of one kind of alarm, in one direction. Values are put in: `of` is always among them.

    Attributes:
        what: what it is, as a clause.
        causes: what usually lies behind it: sentences.
        check: what to look at before any setting is changed: sentences.
    """

    what: str
    causes: str
    check: str


_SURGE = (
    " A nearly empty cylinder can let the pressure surge: shut the needle valve before changing "
    "it, and air the cabinet first, since CO2 gathers low."
)
_WEAKER = (
    "Look at the cylinder's gauge and count the bubbles; then test the effluent; then let it run "
    "into a measuring cylinder for ten minutes."
)
_STRONGER = (
    "Count the bubbles and see that the gas valve shuts; then test the effluent; then let it run "
    "into a measuring cylinder for ten minutes. If gas runs on, shut it at the cylinder and air "
    "the room: CO2 gathers low."
)
_KIT = (
    "Test a reference solution with this kit, or the same water with a fresh bottle; log a new "
    "bottle as `new_bottle`."
)
_LOGGED = (
    "Go through what was done since then: doses by hand, a doser that ran on, another solution, "
    "food or media, a water change. Enter what is missing."
)
_NOT_ARRIVING = (
    "Look at the doser's tube, its bottle and what it gives in a minute, and at the strength "
    "stated for the solution."
)

ALARMS: Mapping[str, AlarmWords] = {
    "effluent_down": AlarmWords(
        "the effluent is weaker, or less of it flows",
        "The gas cylinder is empty or its regulator shut, the media is spent, the pump's tube is "
        "worn, or the line is clogged." + _SURGE,
        _WEAKER,
    ),
    "effluent_fade_down": AlarmWords(
        "the effluent grows weaker day by day",
        "The gas runs out, the media is nearly spent or clogs, or the pump's tube wears." + _SURGE,
        _WEAKER,
    ),
    "effluent_up": AlarmWords(
        "the effluent is stronger, or more of it flows",
        "More gas than before, a gas valve that sticks open, fresh media, or a pump that delivers "
        "more than it is set to.",
        _STRONGER,
    ),
    "effluent_fade_up": AlarmWords(
        "the effluent grows stronger day by day",
        "Gas that creeps up, a regulator that drifts, or a pump that delivers more and more.",
        _STRONGER,
    ),
    "chamber_ph_up": AlarmWords(
        "the chamber's pH has risen above where it was held",
        "Gas is lacking: the cylinder is nearly empty, the regulator or the needle valve shut, the "
        "solenoid or the controller does not open, or the line leaks. Or the pH probe has drifted."
        + _SURGE,
        "Look at the cylinder's gauge and count the bubbles, then at solenoid and controller; then "
        "calibrate the probe.",
    ),
    "chamber_ph_down": AlarmWords(
        "the chamber's pH has fallen below where it was held",
        "More gas than the chamber uses: the solenoid or the needle valve sticks open, the "
        "controller does not shut, or hardly any water flows. Or the pH probe has drifted.",
        "Shut the gas at the cylinder and air the room: CO2 gathers low, and 4 % of it in the air "
        "is immediately dangerous. Then look at solenoid, controller and effluent flow, watch the "
        "tank's pH, and calibrate the probe.",
    ),
    "uptake_down": AlarmWords(
        "the tank uses less than it did",
        "Stressed or lost animals, less light, a lower level of alkalinity or magnesium.",
        "Look at the animals, the lamps and the temperature before anything is dosed less.",
    ),
    "uptake_up": AlarmWords(
        "the tank uses more than it did",
        "Faster growth, animals added, more light or heat; or alkalinity is lost as snow on pumps "
        "and heaters.",
        "Look for white crust on pumps and heater, and log animals added as `stock_change`.",
    ),
    "kit_up": AlarmWords(
        "kit {of} reads higher than it did",
        "Reagent that has aged or dried in, a new bottle, or another way of reading.",
        _KIT,
    ),
    "kit_down": AlarmWords(
        "kit {of} reads lower than it did",
        "Reagent that has aged or dried in, a new bottle, or another way of reading.",
        _KIT,
    ),
    "kit_scatter": AlarmWords(
        "readings of kit {of} scatter far more than the kit should",
        "A unit misread, samples mixed up, a kit past its date, or entries that are missing.",
        "Look through the readings of this kit for a wrong unit or sample, and test the same water "
        "three times.",
    ),
    "additions_up": AlarmWords(
        "{of} is added that is not in the log",
        "Doses that were not logged, a doser that gives more than it is set to, or a source such "
        "as limewater, media or food.",
        _LOGGED,
    ),
    "additions_down": AlarmWords(
        "{of} that is in the log does not reach the tank",
        "A clogged doser tube, an empty bottle, a weaker solution than stated, or a dose logged "
        "twice.",
        _NOT_ARRIVING,
    ),
    "one_addition_up": AlarmWords(
        "one dose of {of} is not in the log",
        "A dose by hand, a doser that ran on, or a large water change.",
        _LOGGED,
    ),
    "one_addition_down": AlarmWords(
        "{of} was lost at once",
        "A dose that was logged and not given, a water change that was not logged, or a fall out "
        "of solution.",
        _LOGGED,
    ),
    "level_impossible": AlarmWords(
        "the log's additions and readings of {of} contradict each other",
        "Doses that were not logged, a wrong unit, or a wrong strength of a solution.",
        _LOGGED,
    ),
    "strength_wrong": AlarmWords(
        "the strength stated for {of} cannot be right",
        "A slip of the decimal point or of the unit, or a recipe mixed otherwise than stated.",
        "Read the label, weigh the recipe again, and correct the tank file. Dose nothing by these "
        "figures before that.",
    ),
    "volume_wrong": AlarmWords(
        "the water volume stated cannot be right",
        "Rock and sand not taken off, a sump not counted, a unit mistaken; or a dose whose "
        "strength is wrong.",
        "Measure length, width and water height, take off rock and sand, and correct the tank "
        "file.",
    ),
    "salinity_up": AlarmWords(
        "the water is saltier than the tank file states",
        "Evaporation not topped up, or new water mixed too strong: alkalinity and calcium are "
        "raised in the same proportion.",
        "Check the instrument with a solution of known salinity (stated: {stated}), "
        "then bring salinity back slowly.",
    ),
    "salinity_down": AlarmWords(
        "the water is less salty than the tank file states",
        "Too much top-up water, salt lost with the skimmer, or new water mixed too weak: "
        "alkalinity and calcium are lowered in the same proportion.",
        "Check the instrument with a solution of known salinity (stated: {stated}), "
        "then bring salinity back slowly.",
    ),
    "log_age": AlarmWords(
        "the log ended long before this report",
        "What was set and read since is not known here.",
        "Enter what was set and tested since, test today, and run the report again.",
    ),
}
"""By the code of an alarm without "alarm_", but for the failed fit."""

FIT = AlarmWords(
    "the fit did not pass its own checks",
    "The log lacks something, or entries contradict each other; what it hangs on most is {source}.",
    "To settle it, {remedy}. Look also for entries that contradict each other in the list of "
    "readings.",
)


def _fit(text: str) -> Words:
    """Words on what a failed fit lacks."""

    def tell(values: Values, _: Tank) -> str:
        source, remedy = UNKNOWNS[values["source"]]
        return text.format(source=source, remedy=remedy)

    return tell


def _with_salinity(text: str) -> Words:
    """Words with the salinity that the tank file states."""

    def tell(values: Values, tank: Tank) -> str:
        return text.format(stated=salinity_words(values["stated_g_kg"], tank))

    return tell


WORDS: dict[str, Words] = {
    "alarm_fit": _fit(FIT.causes),
    "alarm_fit_check": _fit(FIT.check),
    **{f"alarm_{code}": words.causes for code, words in ALARMS.items()},
    **{f"alarm_{code}_check": words.check for code, words in ALARMS.items()},
    **{
        f"alarm_{code}_check": _with_salinity(ALARMS[code].check)
        for code in ("salinity_up", "salinity_down")
    },
}


def what_of(code: str, values: Values) -> str:
    """What an alarm says, as a clause: of its code and the values of its causes."""
    found = FIT if code == "alarm_fit" else ALARMS[code.removeprefix("alarm_")]
    return found.what.format(**{name: unticked(value) for name, value in values.items()})
