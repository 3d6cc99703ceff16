"""What the tests of the days ahead will read if the plan is followed."""

from __future__ import annotations

import numpy as np

from estimator.fit.forecast import to_step
from estimator.plan.course import Followed
from estimator.plan.futures import Futures
from estimator.plan.result import Foretold


def foretold(kit: str, futures: Futures, followed: Followed) -> Foretold:
    """Readings of the tank and of the effluent, one titration of each a day.

    Calibration, drift and level of one draw go together: a kit that reads high has been reading
    high, so that its readings are foretold far better than the level. An effluent test is taken
    before the pump is set on that day.

    Args:
        kit: that the futures' readings are of.
        futures: that were followed.
        followed: one course.
    """
    first = futures.titrations(0, futures.state.level_meq_l)[:1]
    level, flow = followed.level_meq_l[:, 0], followed.flow_l_d[:, 0]
    effluent = None
    if np.any(flow > 0):
        law = futures.state.law._replace(strength=futures.strength[: len(flow)])
        shown = futures.calibration * (level + law.increment_at(flow, level))
        # The titration after the tank's own: each has an error of its own.
        error = futures.error_meq_l[1 : len(flow) + 1, 1]
        effluent = to_step(shown + error, futures.kit_step_meq_l)
    return Foretold(kit, np.concatenate([first, followed.shown_meq_l[:, 0]]), effluent)
