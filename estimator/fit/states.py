"""Draws of levels, uptake and effluent by day, exact given the parameters."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from estimator.fit.likelihood import MISREAD_SPREAD, draw_path_at
from estimator.fit.problem import Problem
from estimator.fit.schedule import Schedule
from estimator.processes import side_by_side


@dataclass(frozen=True)
class DayStates:
    """Draws of the states (s, days), canonical units.

    alkalinity, calcium: levels at the end of each local day (the last: at the last entry). uptake,
    nitrate_rate: what holds during each day, the last day's as it stands at the last entry.
    effluent, unlogged: (s, days) likewise. magnesium, kit_shift: (s,) at the last entry. None where
    the log has no use for a state; zeros for an effluent that never was.
    """

    alkalinity: np.ndarray
    calcium: np.ndarray | None
    uptake: np.ndarray
    nitrate_rate: np.ndarray | None
    effluent: np.ndarray
    unlogged: np.ndarray | None
    magnesium: np.ndarray | None
    kit_shift: np.ndarray | None


def day_states(schedule: Schedule, paths: np.ndarray) -> DayStates:
    """Pick the days out of paths (s, n, d) over all steps."""
    layout = schedule.layout
    edges = np.append(schedule.day_step[1:], len(schedule.step_time_d) - 1)
    ends = paths[:, edges]

    def held(state: int) -> np.ndarray:
        """A state that changes at midnights and events: on each day what it began with."""
        values = np.concatenate([paths[:, :1, state], ends[:, :-1, state]], axis=1)
        values[:, -1] = ends[:, -1, state]
        return values

    calcium = nitrate_rate = None
    if layout.z >= 0:
        calcium = ends[:, :, layout.z] + schedule.shape.media_calcium * ends[:, :, 0]
    if layout.nitrate_rate >= 0:
        nitrate_rate = held(layout.nitrate_rate)

    effluent = np.zeros(ends.shape[:2])
    if layout.effluent >= 0:
        effluent = held(layout.effluent)
    return DayStates(
        alkalinity=ends[:, :, 0],
        calcium=calcium,
        uptake=held(layout.uptake),
        nitrate_rate=nitrate_rate,
        effluent=effluent,
        unlogged=held(layout.unlogged) if layout.unlogged >= 0 else None,
        magnesium=ends[:, -1, layout.magnesium].copy() if layout.magnesium >= 0 else None,
        kit_shift=ends[:, -1, layout.kit_shift].copy() if layout.kit_shift >= 0 else None,
    )


BLOCK = 200
"""Paths held at once while days are picked out, to keep memory small."""
TOGETHER = 20
"""Paths that a thread draws before it takes more."""


def draw_day_states(
    problem: Problem,
    natural: np.ndarray,
    misread: np.ndarray,
    jump: np.ndarray,
    rng: np.random.Generator,
    cores: int | None = None,
) -> tuple[DayStates, np.ndarray]:
    """One draw of the states per draw of the parameters, and expected readings (s, m)."""
    schedule, frame = problem.schedule, problem.frame
    shape = (len(schedule.step_time_d) + 1, schedule.layout.size + 1)
    expected = np.empty((len(natural), len(schedule.readings)))
    blocks = []

    def draw(some: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
        paths = []
        for s, normals in zip(*some, strict=True):
            spread = MISREAD_SPREAD[misread[s]]
            path, expected[s] = draw_path_at(natural[s], spread, jump[s], frame, normals)
            paths.append(path)
        return np.array(paths)

    for start in range(0, len(natural), BLOCK):
        block = np.arange(start, min(start + BLOCK, len(natural)))
        parts = np.array_split(block, -(-len(block) // TOGETHER))
        paths = side_by_side(
            draw, ((part, rng.standard_normal((len(part), *shape))) for part in parts), cores
        )
        blocks.append(day_states(schedule, np.concatenate(paths)))

    whole: dict[str, Any] = {}
    for field in fields(DayStates):
        parts = [getattr(block, field.name) for block in blocks]
        whole[field.name] = None if parts[0] is None else np.concatenate(parts)
    return DayStates(**whole), expected


def daily_mean(
    ends: np.ndarray, uptake: np.ndarray, midnight: np.ndarray, end: np.ndarray
) -> np.ndarray:
    """Daily means (s, days) of a level from its values at the end of each day.

    Each value is freed of the light's swing at its time of day (midnight, or the last entry's),
    then the two ends of a day are averaged. The first day has one end only.

    Args:
        ends: (s, days) levels.
        uptake: (s, days) of what follows the light, per day.
        midnight, end: (s,) `day_shape` at midnight and at the last entry's time of day.
    """
    shape = np.repeat(midnight[:, None], ends.shape[1], axis=1)
    shape[:, -1] = end
    level = ends + uptake * shape
    begins = np.concatenate([level[:, :1], level[:, :-1]], axis=1)
    return 0.5 * (begins + level)
