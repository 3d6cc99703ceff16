"""The smoothed departure of a chamber's pH, against an independent program.

Source: statsmodels' local level smoother (Durbin & Koopman 2012, Time Series Analysis by State
Space Methods, 2nd ed., chapter 2).
"""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm

from estimator.water.chamber_ph import DAILY_SD, READING_SD, START_SD, departure_of

DAYS = 60


def test_departure_is_the_smoothed_level_of_statsmodels() -> None:
    """Readings of most days, one a day: a drift under noise, with the offset that lasts taken off.

    The offset is the median departure; what is left is a random walk seen with reading errors.
    """
    rng = np.random.default_rng(3)
    walk = np.cumsum(DAILY_SD * rng.standard_normal(DAYS))
    ph = 6.6 + 0.12 + walk + READING_SD * rng.standard_normal(DAYS)
    days = np.sort(rng.choice(DAYS, 45, replace=False))
    found = departure_of([(day + 0.5, ph[day]) for day in days], lambda time: 6.6)
    off = np.full(DAYS, np.nan)
    off[days] = ph[days] - 6.6
    # The walk begins at the first reading.
    first, last = days[0], days[-1]
    model = sm.tsa.UnobservedComponents((off - np.nanmedian(off))[first : last + 1], "llevel")
    model.ssm.initialize_known(np.zeros(1), np.array([[START_SD**2]]))
    smoothed = model.smooth([READING_SD**2, DAILY_SD**2]).smoothed_state[0]
    at = [found.at(day + 0.5) for day in range(first, last + 1)]
    np.testing.assert_allclose(at, smoothed, atol=1e-9)
    assert np.ptp(smoothed) > 0.1
