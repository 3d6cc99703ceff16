"""Words for remarks on the fit and what it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from reports.words.values import Words

WORDS: dict[str, Words] = {
    "fit_not_checked": "the sampling was not checked",
    "fit_chains_disagree": "the chains disagree on {quantity} (R-hat {r_hat:.3f}, at most "
    "{r_hat_limit} allowed)",
    "fit_few_draws": "too few independent draws of {quantity} ({ess:.0f}, at least {ess_limit} "
    "needed)",
    "fit_divergent": "{divergences} divergent transitions in {draws} draws (at most one in a "
    "thousand allowed)",
    "trust_checks_failed": "the fit did not pass its own checks",
    "trust_very_few_tests": "there are very few alkalinity tests of the tank",
    "trust_few_tests": "there are few alkalinity tests of the tank",
    "trust_many_odd": "many readings do not fit",
    "trust_some_odd": "several readings do not fit",
    "trust_scatter": "the readings do not scatter about the model as their kits should",
    "trust_net_change": "no addition is in the log, so only the net change is seen",
    "trust_effluent_untested": "the effluent was not tested, so its strength comes from chemistry "
    "alone",
    "trust_no_times": "most entries have no time of day",
    "trust_implausible": "it rests on readings that are hardly plausible",
    "trust_alarm": "something stands that has to be checked first",
    "trust_nothing_wrong": "the fit passed its checks, tests are many enough and nearly all of "
    "them fit",
}
"""Parts of sentences: what is wrong with the sampling, and why the model is trusted so far."""


class ChangeWords(NamedTuple):
    """Of one kind of change in one direction.

    Attributes:
        seen: what it is, as a clause; {} stands for the kit.
        cause: what usually lies behind it (common practice, no source).
    """

    seen: str
    cause: str


_AGED = "reagent that has aged or dried in, a changed way of reading"
CHANGES: Mapping[tuple[str, str], ChangeWords] = {
    ("uptake", "up"): ChangeWords(
        "the tank uses more than it did", "faster growth, animals added, more light or heat"
    ),
    ("uptake", "down"): ChangeWords(
        "the tank uses less than it did", "stressed or lost animals, less light, low alkalinity"
    ),
    ("effluent", "up"): ChangeWords(
        "the effluent is stronger, or more of it flows",
        "more gas, fresh media, a pump that delivers more than it is set to",
    ),
    ("effluent", "down"): ChangeWords(
        "the effluent is weaker, or less of it flows",
        "an empty gas cylinder, spent media, a worn pump tube, a clogged line",
    ),
    ("effluent_fade", "up"): ChangeWords(
        "the effluent grows stronger day by day", "gas that creeps up, a regulator that drifts"
    ),
    ("effluent_fade", "down"): ChangeWords(
        "the effluent grows weaker day by day",
        "gas that runs out, media nearly spent, a pump tube that wears",
    ),
    ("additions", "up"): ChangeWords(
        "{} is added that is not in the log", "doses not logged, a doser that gives more than set"
    ),
    ("additions", "down"): ChangeWords(
        "{} that is in the log does not reach the tank",
        "a clogged doser tube, an empty bottle, a weaker solution than stated",
    ),
    ("one_addition", "up"): ChangeWords(
        "one dose of {} is not in the log", "a dose by hand, a doser that ran on"
    ),
    ("one_addition", "down"): ChangeWords(
        "{} was lost at once", "a logged dose that was not given, a water change not logged"
    ),
    ("kit", "up"): ChangeWords("kit {} reads higher than it did", _AGED),
    ("kit", "down"): ChangeWords("kit {} reads lower than it did", _AGED),
}
"""By kind and direction of a `Change`."""
TELLING_TESTS: Mapping[str, str] = {
    "uptake": "go on testing the tank's alkalinity at the same hour",
    "effluent": "test the effluent's alkalinity and let the effluent run into a measuring cylinder "
    "for ten minutes",
    "effluent_fade": "test the effluent's alkalinity and look at the gas cylinder's gauge",
    "additions": "look for doses that are missing from the log, and test the tank again",
    "one_addition": "look for a dose that is missing from the log",
    "kit": "test a reference solution with this kit, or the same water with a fresh bottle",
}
"""By kind of change: the test that tells it from the others."""
