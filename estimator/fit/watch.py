"""Has something changed of late, and how sure is that?

What may have changed at once (`jumps`) is part of the model: the chance that it did, when and by
how much is a share of the draws. A chance that the effluent faded without any jump is likewise.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.special import ndtr

from estimator.fit import jumps
from estimator.fit.change import DIRECTIONS, Change, gaussian_evidence, half_normal_size
from estimator.fit.fitting import Fit
from estimator.fit.kalman import forward, step_response
from estimator.fit.likelihood import system_at
from estimator.fit.mass_balance import light_and_scale
from estimator.fit.priors import EFFLUENT_DRIFT_PRIOR
from estimator.fit.trace import thinned
from estimator.inputs.parameters import ALKALINITY

FADED, FADE_DAYS = 0.10, 28
"""The effluent fades where it lost so much of its strength in so many days without a jump."""
SIZED_DRAWS = 120
"""Draws from which the size of a jump is told, evenly spaced."""
KINDS = {
    jumps.UPTAKE: "uptake",
    jumps.SUPPLY: "additions",
    jumps.EFFLUENT: "effluent",
    jumps.ADDITION: "one_addition",
    jumps.KIT: "kit",
}
"""What a jump is of, by its kind."""


@dataclass(frozen=True)
class Watch:
    """All that may have changed, `nothing` and `changes` adding up to 1.

    Attributes:
        days: the local days of the window; a change is taken to happen as one begins.
        nothing, nothing_prior: chance that nothing changed, given the readings and before them.
        changes: the likeliest first.
    """

    days: tuple[date, ...]
    nothing: float
    nothing_prior: float
    changes: tuple[Change, ...]

    @property
    def likeliest(self) -> Change | None:
        """The change that is likelier than not, or None."""
        first = self.changes[0] if self.changes else None
        return first if first and first.chance > 0.5 else None

    @property
    def quiet(self) -> bool:
        """Whether there is nothing to do."""
        return self.nothing >= 0.5


def watch(fitted: Fit) -> Watch:
    """The chance of each change of late; a log of a single day can show none."""
    schedule, posterior = fitted.schedule, fitted.posterior
    found = fitted.frame.jumps
    first = max(1, schedule.days - jumps.WINDOW_DAYS)
    days = tuple(posterior.days[first:])
    if not days:
        return Watch(days, 1.0, 1.0, ())
    faded = _faded(fitted, len(days))
    fading = sum(change.chance for change in faded)
    changes = (*_jumped(fitted, first, len(days)), *faded)
    return Watch(
        days=days,
        nothing=max(float(np.mean(posterior.jump == 0)) - fading, 0.0),
        nothing_prior=float(np.exp(found.log_prior[0])),
        changes=tuple(sorted(changes, key=lambda change: -change.chance)),
    )


def _jumped(fitted: Fit, first: int, days: int) -> list[Change]:
    """What may have jumped, by kind and direction, as shares of the draws.

    Args:
        fitted: the fit.
        first: first local day of the window.
        days: how many it has.
    """
    table, trace = fitted.frame.jumps, fitted.trace
    natural = trace.natural.reshape(-1, trace.natural.shape[-1])
    misread, jump = trace.misread.reshape(len(natural), -1), trace.jump.reshape(-1)
    kind = table.kind[jump]
    given, kit = ALKALINITY.name, fitted.schedule.kit_in_use
    of = {jumps.SUPPLY: given, jumps.ADDITION: given, jumps.KIT: kit}
    found = []
    for one in np.unique(table.kind[1:]):
        chosen = np.flatnonzero(kind == one)
        prior = 0.5 * float(np.sum(np.exp(table.log_prior[table.kind == one])))
        some = chosen[thinned(len(chosen), SIZED_DRAWS)] if len(chosen) else chosen
        sized = [_size_of_jump(fitted, natural[s], misread[s], int(jump[s])) for s in some]
        mean, sd, unit = np.array(sized).reshape(-1, 3).T
        # Something given unlogged looks like less uptake.
        unit = -unit if one == jumps.SUPPLY else unit
        for way, sign in DIRECTIONS.items():
            part = ndtr(sign * np.sign(unit) * mean / np.maximum(sd, 1e-12))
            share = float(np.mean(part)) * len(chosen) / len(natural) if len(chosen) else 0.0
            by_day = np.zeros(days)
            np.add.at(by_day, table.day[jump[some]] - first, part)
            size = (0.0, 0.0, 0.0)
            if share > 0:
                size = half_normal_size(mean * unit, sd * np.abs(unit), sign, part / part.sum())
            found.append(
                Change(
                    kind=KINDS[int(one)],
                    of=of.get(int(one), ""),
                    direction=way,
                    prior=prior,
                    chance=share,
                    size=size,
                    by_day=by_day / by_day.sum() if share > 0 else np.full(days, 1.0 / days),
                )
            )
    return found


def _size_of_jump(
    fitted: Fit, theta: np.ndarray, misread: np.ndarray, jump: int
) -> tuple[float, float, float]:
    """Mean and sd of a jump of one draw, and what a jump of 1 means."""
    table, frame = fitted.frame.jumps, fitted.frame
    system = system_at(theta, misread, 0, frame)
    step, state = int(table.step[jump]), int(table.state[jump])
    slope, curvature = step_response(system, forward(system), step)
    sd = float(np.sqrt(table.variance[jump]))
    _, mean, left = gaussian_evidence(slope[step, state], curvature[step, state], sd)
    unit = 1.0
    if table.kind[jump] in (jumps.UPTAKE, jumps.SUPPLY):
        unit = float(light_and_scale(theta, frame.shape)[1])
    return float(mean), float(left), unit


def _faded(fitted: Fit, days: int) -> list[Change]:
    """Whether the effluent has faded without a jump, and by how much."""
    posterior, table = fitted.posterior, fitted.frame.jumps
    if posterior.last_run_flow_l_d is None:
        return []
    back = min(FADE_DAYS, len(posterior.days) - 1)
    change = posterior.strength[:, -1] / posterior.strength[:, -1 - back] - 1.0
    no_jump = table.kind[posterior.jump] != jumps.EFFLUENT
    faded = no_jump & (change < -FADED)
    by_day = np.zeros(days)
    by_day[-min(back, days)] = 1.0
    size = np.quantile(change[faded], [0.05, 0.5, 0.95]) if faded.any() else np.zeros(3)
    # In the prior it is a walk of the usual drift (`priors`), of unknown speed.
    normal = np.linspace(-3.0, 3.0, 25)
    usual, spread = EFFLUENT_DRIFT_PRIOR
    drift = usual * np.exp(spread * normal) * np.sqrt(max(back, 1))
    prior = float(np.average(ndtr(-FADED / drift), weights=np.exp(-0.5 * normal**2)))
    low, middle, high = (float(value) for value in size)
    return [
        Change(
            "effluent_fade", "", "down", prior, float(np.mean(faded)), (low, middle, high), by_day
        )
    ]
