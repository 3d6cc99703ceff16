"""What the logged flows have dissolved."""

from __future__ import annotations

import numpy as np

from estimator import units
from estimator.fit.fitting import Fit


class Dissolved:
    """Carbonate dissolved, draws (s,), as a function of time.

    The effluent's increment over tank water is taken at its present strength throughout, at the
    middle of the band; the chamber's pH setting and the flow act on it as in the fit.
    """

    def __init__(self, fitted: Fit) -> None:
        """Sort the log's steps by setting: a pump has few, however many steps there are."""
        steps, posterior = fitted.schedule.steps, fitted.posterior
        settings = np.stack([steps["flow_l_d"], np.round(steps["log_ph_ratio"], 2)], axis=1)
        groups, which = np.unique(settings, axis=0, return_inverse=True)
        litres = np.zeros((len(groups), len(steps)))
        litres[which.reshape(-1), np.arange(len(steps))] = steps["flow_l_d"] * steps["span_d"]
        self._litres = np.concatenate([np.zeros((len(groups), 1)), litres.cumsum(axis=1)], axis=1)
        self._edges = np.concatenate([[0.0], fitted.schedule.step_time_d])
        law = posterior.law.each(lambda draws: draws[:, None])
        by_ph = posterior.ph_response[:, None] * (groups[:, 1] - steps["log_ph_ratio"][-1])
        increment = law.increment_at(groups[:, 0], law.middle_meq_l)
        self._increment_meq_l = increment * np.exp(by_ph)

    def carbonate_mol(self, time_d: np.ndarray) -> np.ndarray:
        """(s, t) mol of carbonate dissolved from the start of the log to each time (t,)."""
        litres = np.array([np.interp(time_d, self._edges, row) for row in self._litres])
        return self._increment_meq_l @ litres / 2000

    def carbonate_g_since(self, time_d: float) -> np.ndarray:
        """(s,) g of media dissolved, counted as CaCO3, from a time to the end of the log."""
        start, end = self.carbonate_mol(np.array([time_d, self._edges[-1]])).T
        return (end - start) * units.CACO3_G_MOL
