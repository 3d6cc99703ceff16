"""What the tests of the days ahead will read if the plan is followed."""

from __future__ import annotations

import numpy as np

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
        effluent = np.stack(
            [
                futures.effluent_titrations(day, *then)[0]
                for day, then in enumerate(zip(level, flow, strict=True), start=1)
            ]
        )
    return Foretold(kit, np.concatenate([first, followed.shown_meq_l[:, 0]]), effluent)
