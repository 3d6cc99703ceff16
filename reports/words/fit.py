"""Words for remarks on the fit and what it rests on."""

from __future__ import annotations

from reports.words.values import Words

WORDS: dict[str, Words] = {
    "fit.not_checked": "the sampling was not checked",
    "fit.chains_disagree": "the chains disagree on {quantity} (R-hat {r_hat:.3f}, at most "
    "{r_hat_limit} allowed)",
    "fit.few_draws": "too few independent draws of {quantity} ({ess:.0f}, at least {ess_limit} "
    "needed)",
    "fit.divergent": "{divergences} divergent transitions in {draws} draws (at most one in a "
    "thousand allowed)",
    "trust.checks_failed": "the fit did not pass its own checks",
    "trust.very_few_tests": "there are very few alkalinity tests of the tank",
    "trust.few_tests": "there are few alkalinity tests of the tank",
    "trust.many_odd": "many readings do not fit",
    "trust.some_odd": "several readings do not fit",
    "trust.scatter": "the readings do not scatter about the model as their kits should",
    "trust.net_change": "no addition is in the log, so only the net change is seen",
    "trust.effluent_untested": "the effluent was not tested, so its strength comes from chemistry "
    "alone",
    "trust.no_times": "most entries have no time of day",
    "trust.nothing_wrong": "the fit passed its checks, tests are many enough and nearly all of "
    "them fit",
}
"""Parts of sentences: what is wrong with the sampling, and why the model is trusted so far."""
