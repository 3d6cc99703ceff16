"""Words for remarks on the flow, tests and what is unknown."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from estimator.unknowns import Unknown
from reports.wording import times
from reports.words.values import Words

WORDS: dict[str, Words] = {}


class UnknownWords(NamedTuple):
    """Of something unknown: its plain name, and what would narrow it (after "to narrow it,")."""

    name: str
    remedy: str


UNKNOWNS: Mapping[str, UnknownWords] = {
    Unknown.UPTAKE: UnknownWords(
        "the tank's uptake now",
        "test tank alkalinity every second or third day for two weeks, and log every dose and "
        "water change",
    ),
    Unknown.EFFLUENT: UnknownWords(
        "the strength of the effluent",
        "test the effluent's alkalinity twice, with the kit and bottle used for the tank",
    ),
    Unknown.VOLUME: UnknownWords("the water volume", "measure the water volume better"),
    Unknown.FLOW_RESPONSE: UnknownWords(
        "how the effluent weakens as flow rises",
        "let the pump run near the needed flow for some days, then test the effluent there",
    ),
    Unknown.KIT: UnknownWords(
        "the kit's calibration", "test a solution of known alkalinity with the kit"
    ),
    Unknown.LIGHT: UnknownWords(
        "the share of uptake in the light",
        "test tank alkalinity when the lights come on and when they go off, on two days or more",
    ),
    Unknown.DRIFT: UnknownWords(
        "the drift of uptake", "test tank alkalinity again just before the setting is changed"
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
