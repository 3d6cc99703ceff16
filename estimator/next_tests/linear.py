"""The linear shortcut: what sets of tests leave open, by the best linear estimate of log flow.

The order of tests and a plan within the keeper's minutes need thousands of sets compared, too many
for a preposterior analysis of each. The error variance of the best linear estimate needs only the
covariances of `foresight`, pooled over the draws; what it chooses is then weighed in full.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.next_tests.foresight import Foresight, Present, slopes
from estimator.next_tests.worth import MOST_WITHOUT_NEED
from estimator.unknowns import Unknown

MOST_A_DAY = 3
"""Repeats of one test at one time in a plan."""

CAUSES = (
    Unknown.VOLUME,
    Unknown.KIT,
    Unknown.EFFLUENT,
    Unknown.LIGHT,
    Unknown.FLOW_RESPONSE,
    Unknown.DRIFT,
)
"""What makes log flow uncertain, in the order of `_flow_and_causes`."""


def _flow_and_causes(present: Present, states: np.ndarray) -> np.ndarray:
    """Log needed flow, then each of `CAUSES` (1 + c, s), at states (s, t)."""
    state = present.state(states)
    return np.array(
        [
            present.log_flow(states),
            np.log(present.volume_l),
            np.log(present.reads(states)),
            np.log(state.law.increment_at(present.shown_flow_l_d, state.law.middle_meq_l)),
            np.log(present.light_ratio),
            np.log(present.load_share),
            present.uptake_scale * states[:, present.places[1]],
        ]
    )


@dataclass(frozen=True)
class Pooled:
    """Covariances over draws and states together, for best linear estimates of log flow.

    Attributes:
        covariance: (k + 1 + c, k + 1 + c) of the k readings' true values, log flow, and causes.
        noise: (k,) variance of one reading's error.
        causes: (c) what makes log flow uncertain.
    """

    covariance: np.ndarray
    noise: np.ndarray
    causes: tuple[Unknown, ...] = CAUSES

    @property
    def readings(self) -> int:
        """k."""
        return len(self.noise)

    def variance(self, rows: Sequence[int]) -> float:
        """Variance of log flow left after readings `rows` (r); n equal ones have n-th the noise."""
        return self.left(*self._averaged(rows))

    def left(self, places: np.ndarray, noise: np.ndarray) -> float:
        """Variance of log flow left when `places` (r) are known but for `noise` (r)."""
        flow = self.readings
        cross = self.covariance[places, flow]
        gram = self.covariance[np.ix_(places, places)] + np.diag(noise)
        taken = cross @ np.linalg.solve(gram, cross) if len(places) else 0.0
        return float(self.covariance[flow, flow] - taken)

    def taken_by_two(self, rows: Sequence[int]) -> np.ndarray:
        """Variance of log flow (k, k + 1) that two more readings take after readings `rows` (r).

        Entry (j, l) is of j and l, (j, j) of j twice, (j, k) of j alone.
        """
        k = self.readings
        kept, noise = self._averaged(rows)
        within = self.covariance[: k + 1, : k + 1]
        if len(kept):
            gram = within[np.ix_(kept, kept)] + np.diag(noise)
            within = within - within[:, kept] @ np.linalg.solve(gram, within[kept])
        flow, between = within[:k, k], within[:k, :k]
        shown = np.diag(between) + self.noise
        both = flow[:, None] ** 2 * shown + flow**2 * shown[:, None]
        both -= 2.0 * np.outer(flow, flow) * between
        both /= np.outer(shown, shown) - between**2
        return np.column_stack([both, flow**2 / shown])

    def _averaged(self, rows: Sequence[int]) -> tuple[np.ndarray, np.ndarray]:
        """The different readings among `rows`, and the noise of the mean of each one's repeats."""
        kept, counts = np.unique(np.asarray(rows, dtype=int), return_counts=True)
        return kept, self.noise[kept] / counts


def pool(foresight: Foresight) -> Pooled | None:
    """Pooled covariances; None where too many draws need no flow at all (`MOST_WITHOUT_NEED`).

    Each draw's normal is carried to log flow and causes by their slopes; the law of total
    covariance then adds the mean of the draws' covariances to the covariance of their centres.
    """
    k, centre = len(foresight.readings), foresight.mean[:, foresight.states]

    def told(states: np.ndarray) -> np.ndarray:
        return _flow_and_causes(foresight.present, states)

    centres = told(centre)
    usable = np.isfinite(centres[0])
    if np.mean(usable) < 1.0 - MOST_WITHOUT_NEED:
        return None
    slope = slopes(told, centre)[:, usable]
    within = foresight.covariance[usable]
    covariance = np.cov(np.concatenate([foresight.mean[usable][:, :k].T, centres[:, usable]]))
    covariance[:k, :k] += within[:, :k, :k].mean(axis=0)
    across = np.einsum("skt,cst->kc", within[:, :k, k:], slope) / len(within)
    covariance[:k, k:] += across
    covariance[k:, :k] += across.T
    among = np.einsum("cst,stu,dsu->cd", slope, within[:, k:, k:], slope)
    covariance[k:, k:] += among / len(within)
    # An odd reading tells less: the information of one error, averaged over its outlier classes.
    information = float(np.sum(MISREAD_CHANCE / MISREAD_SPREAD**2))
    return Pooled(covariance, foresight.variance.mean(axis=0) / information)


def best_order(pooled: Pooled, most: int) -> list[int]:
    """Readings (most) in greedy order: each the one that leaves the least variance of log flow."""
    k = pooled.readings
    order: list[int] = []
    for _ in range(min(most, MOST_A_DAY * k)):
        taken = pooled.taken_by_two(order)[:, k]
        taken[np.bincount(order, minlength=k) >= MOST_A_DAY] = -1.0
        order.append(int(np.argmax(taken)))
    return order


def fill_minutes(
    pooled: Pooled,
    minutes: np.ndarray,
    week: np.ndarray,
    per_week: float,
    due: Sequence[int] = (),
) -> list[int]:
    """Readings beside those due, repeats repeated, that leave little variance of log flow.

    Greedy by variance taken per minute, by pairs as well as single readings, since a test of the
    tank and one of the effluent help each other; then one or two are exchanged while that helps.

    Args:
        pooled: covariances.
        minutes: (k,) of one reading.
        week: (k,) index of its week.
        per_week: minutes to spend in each.
        due: readings that are taken anyway, at no cost.
    """
    k = pooled.readings
    # Column k stands for no second reading.
    cost = minutes[:, None] + np.append(minutes, 0.0)
    same_week = np.append(week[:, None] == week, np.zeros((k, 1), dtype=bool), axis=1)

    def best(rows: Sequence[int], divisor: np.ndarray | float) -> list[int]:
        """The one or two that take most, over the divisor; none where nothing more fits."""
        spent = np.bincount(week[list(rows)], weights=minutes[list(rows)], minlength=week.max() + 1)
        room = per_week - spent[week] + 1e-9
        again = MOST_A_DAY - np.bincount(list(rows), minlength=k)
        alone = (minutes <= room) & (again > 0)
        fits = alone[:, None] & np.append(alone, True)
        fits &= ~same_week | (cost <= room[:, None])
        fits[np.arange(k), np.arange(k)] &= again > 1
        if not fits.any():
            return []
        score = np.where(fits, pooled.taken_by_two([*due, *rows]) / divisor, -np.inf)
        found = np.unravel_index(int(np.argmax(score)), score.shape)
        return [int(j) for j in found if j < k]

    def filled(rows: list[int]) -> list[int]:
        while more := best(rows, cost):
            rows = rows + more
        return rows

    chosen = filled([])
    improved = True
    while improved:
        improved = False
        left = pooled.variance([*due, *chosen])
        for count in (1, 2):
            for out in sorted(set(combinations(sorted(chosen), count))):
                rest = list((Counter(chosen) - Counter(out)).elements())
                trial = filled(rest + best(rest, 1.0))
                after = pooled.variance([*due, *trial])
                if after < left * (1 - 1e-9):
                    chosen, left, improved = trial, after, True
                    break
    return sorted(chosen)
