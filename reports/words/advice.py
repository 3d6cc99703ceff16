"""Words for remarks on the flow, tests and what is unknown."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from estimator.unknowns import Unknown
from reports.words.values import Words

WORDS: dict[str, Words] = {}


class UnknownWords(NamedTuple):
    """Of something unknown: its plain name, and what would narrow it (after "to narrow it,")."""

    name: str
    remedy: str


UNKNOWNS: Mapping[Unknown, UnknownWords] = {
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
