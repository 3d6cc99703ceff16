"""Words for remarks on the change-over."""

from __future__ import annotations

from estimator.inputs.tank import Tank
from reports.wording import listed
from reports.words.values import Values, Words


def _smallest_flow(values: Values, tank: Tank) -> str:
    return (
        f"The pump's smallest flow of {values['flow_min_ml_h']:g} mL/h already carries about "
        f"{100 * values['carried_share']:.0f} % of the load, so the reactor cannot start on less."
    )


def _cause_first(values: Values, tank: Tank) -> str:
    cause = {
        "strength": "a solution's strength cannot be right",
        "volume": "the water volume cannot be right",
        "additions": "additions and readings of alkalinity contradict each other",
    }[values["about"]]
    return (
        f"As the log and the tank file stand, {cause}, and a setting would rest on it. Put that "
        "right, then run the report again."
    )


def _held_back(values: Values, tank: Tank) -> str:
    rates = [f"{ml:g} mL/day of {name}" for name, ml in values["dose_ml_d"].items()]
    bridge = f" Dosing bridges the gap meanwhile: {listed(rates)}." if rates else ""
    return (
        f"The readings ask for {values['wanted_ml_h']:g} mL/h, but the pump goes to "
        f"{values['set_to_ml_h']:g} mL/h only, until the cause of the fall is found or an effluent "
        f"test confirms it: more flow would empty the cylinder the sooner.{bridge}"
    )


WORDS: dict[str, Words] = {
    # Where an alarm stands.
    "withheld_cause_first": _cause_first,
    "note_raise_held_back": _held_back,
    "outlook_alone_withheld": "Whether alkalinity alone is enough is not told: the log's calcium "
    "contradicts itself, see what stands before any setting.",
    # Why there is no plan.
    "no setting to change to": "No setting is recommended, so there is none to change to. If a "
    "change-over is under way, go on by the rule of its plan, and test the effluent at each new "
    "flow.",
    "nothing to hand over": "The log shows no dosing and the tank file no reactor: there is "
    "nothing to hand over.",
    "reactor carries the load": "The reactor already carries the load, and the recommended setting "
    "is close to the present one.",
    "set the pump at once": "Set the pump to it in one go.",
    "go on testing": "Go on testing; where a change-over has just ended, by its rule.",
    "level cannot be corrected": "Alkalinity is {side} the band and the pump and the dosing in the "
    "log cannot bring it back: put the level right first, then run the report again.",
    # Why the plan is as it is.
    "level corrected first": "Alkalinity is most likely {side} the band: the first step only "
    "brings it back.",
    "load handed over in steps": "The load is still dosed, at least in part: the reactor takes it "
    "over in steps.",
    "pump in steps with dosing": "Nothing is dosed now: the pump moves in steps, and dosing makes "
    "good what is lacking until it is there.",
    "pump in steps alone": "Nothing is dosed: the pump alone moves, in steps, as the retests "
    "allow.",
    "part of the way": "What flow will carry the whole load cannot be said yet: these steps go "
    "only part of the way. Test the effluent at each new flow and run the report again.",
    "held back": "The pump is held back until what stands above is checked: these steps go only "
    "part of the way.",
    "smallest flow carries much": _smallest_flow,
    # What would make it surer.
    "test effluent at first step": "test the effluent's alkalinity twice at the first step's flow, "
    "and run the report again before going on",
    "check kit before first step": "check the alkalinity kit with a solution of known value",
    "test uptake before first step": "test tank alkalinity every second day for two weeks before "
    "the first step",
    "run again after retests": "run the report again after every retest",
}
