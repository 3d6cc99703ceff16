"""Words for remarks on the plan, and on what holds it back."""

from __future__ import annotations

from estimator.inputs.tank import Tank
from reports.wording import listed, plain
from reports.words.values import Values, Words


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


def _pauses(values: Values, tank: Tank) -> str:
    names = listed([plain(name) for name in values["solutions"]])
    return f"Calcium is above its band, so {names} pauses until a report finds it inside again."


def _corrects(values: Values, tank: Tank) -> str:
    days = values["days"]
    span = "one addition" if days == 1 else f"additions on {days} days"
    return (
        f"Alkalinity is too low for the settings alone: {span} bring it back, no faster than your "
        "limit."
    )


WORDS: dict[str, Words] = {
    # Where an alarm stands.
    "withheld_cause_first": _cause_first,
    "note_raise_held_back": "The readings ask for {wanted_ml_h:g} mL/h, but the pump goes no "
    "higher than {set_to_ml_h:g} mL/h until the cause of the fall is found or an effluent test "
    "confirms it: more flow would empty the cylinder the sooner.",
    "outlook_alone_withheld": "Whether alkalinity alone is enough is not told: the log's calcium "
    "contradicts itself, see what stands before any setting.",
    # Why the plan is as it is.
    "plan_corrects": _corrects,
    "plan_held_back": "Until the cause is found the pump goes no higher than {most_ml_h:g} mL/h.",
    "plan_first_step_only": "The effluent was never tested at work: this is the first safe step, "
    "and its test decides the next one.",
    "plan_hands_over": "The load is still dosed: the reactor takes it over in steps.",
    "plan_calcium_pauses": _pauses,
    "plan_holds_still": "No change can be judged from this log: what runs now is the safe thing.",
}
