"""What the calls in order add to the advice."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.fit.checks import NOT_CHECKED
from estimator.pipeline import advise
from helpers.fits import known_fit, known_posterior
from helpers.tanks import example_log, example_tank

ALKALINITY = [(0.4, "alkalinity", "tank", "alk", 2.9), (4.4, "alkalinity", "tank", "alk", 2.9)]
SALINITY = [(1.0, "salinity", "tank", "", 33.8)]


@pytest.mark.parametrize(("readings", "told"), [(SALINITY, True), ([], False)])
def test_levels_at_the_stated_salinity_are_told_of(readings, told) -> None:
    """Where salinity was read the keeper learns that readings were converted; else nothing."""
    log = example_log([*ALKALINITY, *readings], [(5.0, "stock_change")])
    fitted = known_fit(log, example_tank(), known_posterior(diagnostics=NOT_CHECKED))
    advice = advise(fitted, np.random.SeedSequence(1), None).recommendation
    assert ("note_salinity" in {note.code for note in advice.notes}) == told
