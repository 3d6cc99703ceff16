"""Words for remarks on the flow, tests and what is unknown."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.tank import Tank
from estimator.unknowns import Unknown
from reports.wording import times
from reports.words.values import Values, Words, salinity_words


class UnknownWords(NamedTuple):
    """Of something unknown: its plain name, and what would narrow it (after "to narrow it,")."""

    name: str
    remedy: str


UNKNOWNS: Mapping[str, UnknownWords] = {
    Unknown.UPTAKE: UnknownWords(
        "the tank's uptake now",
        "go on testing tank alkalinity, some days apart, and log every dose and water change",
    ),
    Unknown.EFFLUENT: UnknownWords(
        "the strength of the effluent",
        "test the effluent's alkalinity with the kit and bottle used for the tank",
    ),
    Unknown.VOLUME: UnknownWords("the water volume", "measure the water volume better"),
    Unknown.FLOW_RESPONSE: UnknownWords(
        "how the effluent weakens as flow rises",
        "test the effluent's alkalinity and the chamber's pH at the flow of now, and again after "
        "each change of flow",
    ),
    Unknown.KIT: UnknownWords(
        "the kit's calibration", "test a solution of known alkalinity with the kit"
    ),
    Unknown.LIGHT: UnknownWords(
        "the share of uptake in the light",
        "test tank alkalinity when the lights come on and when they go off",
    ),
    Unknown.DRIFT: UnknownWords(
        "the drift of uptake", "test tank alkalinity again just before the setting is changed"
    ),
    Unknown.CALCIUM: UnknownWords(
        "the calcium that the tank uses",
        "test the tank's calcium and log every dose of it",
    ),
}
"""The one place for the words of what is unknown."""


class CandidateWords(NamedTuple):
    """Words for one kind of candidate test.

    Attributes:
        label: what is tested or done.
        short: the same for a figure, "" where the label is short enough.
        task: what to do, the label put in.
        again: what is added to it for repeats, their number put in.
        risk: what to beware of, "" where there is nothing.
    """

    label: str
    short: str = ""
    task: str = "test {}"
    again: str = ", {}"
    risk: str = ""

    def to_do(self, repeats: int) -> str:
        """What to do, and how often."""
        return self.task.format(self.label) + self._again(self.again, repeats)

    def in_ranking(self, repeats: int) -> str:
        """What is done, as a noun, and how often."""
        return self.label + self._again(self.again, repeats)

    def in_figure(self, repeats: int) -> str:
        """A short label."""
        return (self.short or self.label) + self._again(", {}", repeats)

    @staticmethod
    def _again(text: str, repeats: int) -> str:
        return "" if repeats == 1 else text.format(times(repeats))


EACH_TIME = ", {} each time"

CANDIDATE_WORDS: dict[str, CandidateWords] = {
    "tank_alkalinity": CandidateWords("tank alkalinity"),
    "effluent_alkalinity": CandidateWords("effluent alkalinity"),
    "tank_and_effluent": CandidateWords(
        "tank and effluent alkalinity, one after the other", "tank and effluent alkalinity"
    ),
    "tank_calcium": CandidateWords("tank calcium"),
    "tank_magnesium": CandidateWords("tank magnesium"),
    "reference": CandidateWords("alkalinity of a reference solution", "reference solution"),
    "daily_week": CandidateWords("tank alkalinity daily for a week", again=EACH_TIME),
    "pairs": CandidateWords(
        "tank alkalinity morning and evening for three days",
        "tank alkalinity morning and evening, 3 days",
        again=EACH_TIME,
    ),
    "third_day": CandidateWords(
        "tank alkalinity every third day for two weeks",
        "tank alkalinity every third day, 2 weeks",
        again=EACH_TIME,
    ),
    "weekly_both": CandidateWords(
        "tank and effluent alkalinity once a week for two weeks",
        "tank and effluent weekly, 2 weeks",
        again=EACH_TIME,
    ),
    "volume": CandidateWords("measure the water volume", task="{}"),
    "stop_day": CandidateWords(
        "stop all additions for a day, tank alkalinity before and after",
        "stop all additions for a day, test both ends",
        task="{}",
        again=", each test {}",
        risk="Alkalinity falls by a whole day's uptake. Do not do it where the level stands near "
        "the low end of the band, and start everything again afterwards.",
    ),
}
"""By key of `estimator.next_tests.candidates.CANDIDATE_KINDS`."""


def _with_source(template: str) -> Words:
    """Words with the name and the remedy of the unknown that is the `source`."""

    def fill(values: Values, tank: Tank) -> str:
        name, remedy = UNKNOWNS[values["source"]]
        return template.format(**{**values, "source": name, "remedy": remedy})

    return fill


def _salinity(values: Values, tank: Tank) -> str:
    stated, low, high = (
        salinity_words(values[f"{which}_g_kg"], tank) for which in ("stated", "low", "high")
    )
    return (
        f"Levels of the tank are told as they would be at {stated}, to which its readings are "
        "converted: its own salinity, by the log, was "
        f"{low if low == high else f'{low} to {high}'}."
    )


def _salinity_old(values: Values, tank: Tank) -> str:
    return (
        f"{_salinity(values, tank)} It was last read {values['age_d']:.0f} days before the log's "
        "end and is taken to have stayed: read it again."
    )


def _dosing_must_stop(values: Values, tank: Tank) -> str:
    unit = tank.targets[ALKALINITY.name].unit
    rise = ALKALINITY.from_canonical(values["rise_meq_l_d"], unit)
    return (
        "The flow given here carries the whole load, so the dosing still in the log has to stop "
        f"when it is set. With both, alkalinity would rise by about {rise:.2g} {unit} a day at "
        "first. Hand over in steps, testing between them."
    )


def _out_of_band(values: Values, tank: Tank) -> str:
    side = "below" if values["below"] else "above"
    remedy = "Bring it back slowly."
    if values["setting_given"]:
        remedy = (
            "The setting holds the middle of the band once the level has been brought back slowly; "
            "it does not correct the level quickly by itself."
        )
    return f"Alkalinity is most likely {side} the band now. {remedy}"


WORDS: dict[str, Words] = {
    "withheld_fit_failed": _with_source(
        "The fit did not pass its own checks: {failures}. What it hangs on most is {source}."
    ),
    "withheld_flow_not_logged": "The log has effluent readings but no flow, so how much the "
    "reactor adds is unknown. Log the pump's setting as `flow`, from the day it was set.",
    "withheld_flow_zero": "The log has effluent readings, but its flow is zero throughout, so how "
    "much the reactor adds is unknown. Log the flow that ran when the effluent was sampled; where "
    "none has run yet, start the pump first.",
    "withheld_no_uptake": _with_source(
        "The log does not show that the tank takes up any alkalinity: the needed flow may be zero. "
        "To settle it, {remedy}."
    ),
    "withheld_wide_range": _with_source(
        "The data cannot say yet: the needed flow may be {ratio:.0f} times larger at one end of "
        "its range than at the other, mostly because of {source}. To narrow it, {remedy}."
    ),
    "withheld_chamber_too_small": "Most likely no flow carries the load: the faster water flows "
    "through the chamber, the weaker its effluent. Use a lower chamber pH or a second chamber, or "
    "go on dosing part of the load.",
    "withheld_chamber_at_limit": _with_source(
        "The data cannot say yet: the chamber may be too small to carry the load at any flow "
        "(chance {chance:.0%}), mostly because of {source}. To settle it, {remedy}."
    ),
    "withheld_pump_too_small": "The pump's limit of {flow_max_ml_h:g} mL/h is most likely below "
    "the needed flow. Use a larger pump, a lower chamber pH or a second chamber, or go on dosing "
    "part of the load.",
    "withheld_pump_too_large": "The pump's smallest flow of {flow_min_ml_h:g} mL/h most likely "
    "gives more than the tank takes up. Raise the chamber pH so that the effluent is weaker, or "
    "use a smaller pump.",
    "withheld_no_setting_in_range": "No setting of the pump ({flow_min_ml_h:g} to "
    "{flow_max_ml_h:g} mL/h in steps of {flow_step_ml_h:g}) lies in the range that the tank needs. "
    "Use a pump that reaches it.",
    "withheld_nothing_holds": _with_source(
        "No flow is likely enough to hold the band for the next days, mostly because of {source}. "
        "To narrow it, {remedy}."
    ),
    "note_net_change": "No addition of alkalinity is in the log, so only the net change can be "
    "seen: uptake here is uptake less whatever was added. Any flow given here comes on top of what "
    "is being added now: stop no dosing on the strength of it. Log every dose to learn the whole "
    "uptake.",
    "note_dosing_must_stop": _dosing_must_stop,
    "note_out_of_band": _out_of_band,
    "note_calcium_high": "Calcium is most likely above its band: leave out what adds calcium alone "
    "until a test shows it in the band again.",
    "note_narrow_band": "The band is narrower than two steps of the alkalinity kit: no test can "
    "tell whether the level is inside it. Widen the band or use a finer kit.",
    "note_salinity": _salinity,
    "note_salinity_old": _salinity_old,
    "note_planned": "No reactor flow and no effluent reading are in the log. The flow is for a "
    "planned reactor, from what chamber chemistry usually gives. Once it runs, test its effluent "
    "and run the report again.",
}
"""Why a setting is withheld, each with its remedy, and what the advice depends on: sentences."""
