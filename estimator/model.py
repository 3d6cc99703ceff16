"""The PyMC model: priors, and the likelihood with every level and uptake path integrated out.

Given volume, light ratio, mean uptake, effluent gain and the error scales, the tank is linear and
Gaussian (`mass_balance`), so the Kalman filter (`kalman`) gives the likelihood and its gradient
exactly, and NUTS meets only a dozen well-behaved parameters. Heavy tails are kept exact by one
class per reading: an ordinary reading, or one whose error sd is 4, 16 or 64 times larger. The
classes are drawn by Gibbs steps (`KitErrorStep`) from their full conditional given one exact draw
of the levels; levels are then integrated out again. The plain form of the same model, every latent
sampled, is in `tests/benchmark_plain_model.py`.

Every prior is normal on a stated scale; `physical_priors` and `_kit_priors` list them with reasons.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple, cast

import numpy as np
import pymc as pm
import pytensor
import pytensor.tensor as pt
from numba import njit
from pymc.step_methods.compound import BlockedStep
from pymc.util import get_random_generator
from pytensor.compile.mode import Mode
from pytensor.graph.basic import Apply
from pytensor.graph.op import Op

from estimator import carbonate, units
from estimator.kalman import draw_states, forward, log_likelihood_and_adjoint
from estimator.mass_balance import fill, pull_back
from estimator.parameters import PARAMETERS
from estimator.schedule import (
    EFFLUENT_ALKALINITY,
    EFFLUENT_CALCIUM,
    Schedule,
    Shape,
    lit_fraction,
)
from estimator.tank import Tank

MISREAD_SPREAD = np.array([1.0, 4.0, 16.0, 64.0])
"""Error sd of each class of reading over that of an ordinary one."""
MISREAD_CHANCE = np.array([0.96, 0.03, 0.008, 0.002])
"""Prior chance of each class: about one hobby reading in 25 is odd (common practice, no source)."""

BOTTLE_CORRELATION = 0.5
"""Of the log gains of two bottles of one kit: half kit, half lot (common practice, no source)."""
USUAL_CALIBRATION_SD = 0.05
"""Of a kit's gain where none is stated: drop kits and photometers are quoted at 5 to 10 per cent
(common practice, no source); a calibrated dropper errs by up to 15 per cent (USP <1101>)."""

PLAIN_MODE = Mode(linker="py", optimizer="fast_run").excluding("fusion")
"""The graph is a few scalars around one compiled operation: a C compiler would cost seconds and
save microseconds."""


# The scale on which a prior is normal.
IDENTITY, LOG, LOGIT = range(3)

# Places of the physical parameters in a `PriorTable`; gains and repeatabilities follow.
(
    VOLUME_AT,
    LIGHT_AT,
    UPTAKE_AT,
    SHARE_AT,
    GAIN_AT,
    EXPONENT_AT,
    DRIFT_AT,
    EFFLUENT_DRIFT_AT,
) = range(8)
PHYSICAL_PRIORS = 8


@dataclass(frozen=True)
class Prior:
    """One parameter's prior: normal on a stated scale.

    Attributes:
        name: with its unit, where it has one.
        scale: LOGIT is of the place between `low` and `high`.
        median: on the natural scale.
        sd: on the normal scale.
        low, high: bounds of a LOGIT scale.
    """

    name: str
    scale: int
    median: float
    sd: float
    low: float = 0.0
    high: float = 1.0

    @property
    def centre(self) -> float:
        """Median on the normal scale."""
        if self.scale == LOG:
            return float(np.log(self.median))
        if self.scale == LOGIT:
            return float(np.log((self.median - self.low) / (self.high - self.median)))
        return self.median


def physical_priors(schedule: Schedule, tank: Tank) -> tuple[Prior, ...]:
    """The priors of tank and reactor, in the order of `PARAMETER_NAMES`, canonical units.

    - water volume: the keeper's figure and its stated error.
    - light ratio (mean lit over dark uptake): 2.5, 95 % in 1.25 to 5: measured 1.9 (Anthony et
      al. 2013, Biogeosciences 10:4897), 3.2 (Sandeman 2012), about 3 (Gattuso et al. 1999, from
      memory).
    - uptake at the start: 1.2 dKH/day, 95 % in 0.25 to 5.8, around the 0.2 to 4 dKH/day of home
      reefs (common practice, no source; 0.2 m² of coral at 150 mmol/m²/day in 250 L is
      0.67 dKH/day, with rates of Venti et al. 2014, Coral Reefs 33:979). With no addition in the
      log only the net change can be seen, of either sign.
    - calcium share (mol of calcium per equivalent taken up): 0.49 within 0.35 to 0.75, 95 % in
      0.41 to 0.60: pure CaCO3 0.5; coral aragonite 0.4935 (Sr/Ca of Hathorne et al. 2013, G-cubed
      14:3730); flux ratios of 2.06 ± 0.19 and 1.60 ± 0.14 eq/mol (Murillo, Jokiel & Atkinson 2014,
      PeerJ 2:e249).
    - effluent gain over tank water at the reference flow: half saturation at the chamber's pH
      (`carbonate`), where log sd 0.4 spans saturation 0.3 to 1; wider where a reactor's chamber
      pH is not stated. While no effluent reading could say otherwise it stays below saturation at
      0.1 under the chamber's pH (the probe's error).
    - exponent ε of the flow response: median 0.4, 95 % in 0.10 to 0.80: chambers run between
      their equilibrium and the rate limit; half saturation is 0.47 for a first-order chamber.
    - drift of uptake per root day, relative: 2 % is 11 % in 30 days; of effluent strength: 1.5 %
      is 8 % in 30 days (both common practice, no source).
    """
    has_effluent = any(r.sample == "effluent" for r in schedule.readings)
    # A planned reactor will be held at the usual pH; one that runs at a pH not stated may not be.
    known_ph = tank.reactor is None or schedule.settings.chamber_ph_known
    chamber_ph = schedule.settings.chamber_ph.last
    half = carbonate.half_saturated_increment_meq_l(chamber_ph)
    spread = 0.40 if known_ph else 0.54
    uptake = Prior("uptake_start_meq_l_d", LOG, 1.2 * units.MEQ_L_PER_DKH, 0.8)
    if not schedule.additions:
        uptake = replace(uptake, scale=IDENTITY, median=0.0, sd=1.2 * units.MEQ_L_PER_DKH)
    gain = Prior("effluent_gain_meq_l", LOG, half, spread)
    if not has_effluent:
        ceiling = carbonate.saturated_increment_meq_l(chamber_ph - 0.1)
        # The slope of the logit at the median keeps the spread of the log scale there.
        gain = replace(gain, scale=LOGIT, sd=spread / (1 - half / ceiling), high=ceiling)
    return (
        Prior("water_volume_l", LOG, tank.water_volume_l, tank.water_volume_sd_fraction),
        Prior("light_ratio", LOG, 2.5, 0.354),
        uptake,
        Prior("calcium_share", LOGIT, 0.49, 0.55, low=0.35, high=0.75),
        gain,
        Prior("exponent", LOGIT, 0.4, 0.9),
        Prior("drift_per_root_day", LOG, 0.02, 0.7),
        Prior("effluent_drift_per_root_day", LOG, 0.015, 0.7),
    )


def _kit_priors(schedule: Schedule) -> tuple[Prior, ...]:
    """Gains of bottles, then repeatability of kits.

    A stated repeatability comes from about eight repeats (log sd 0.27); else 0.7 steps, but at
    least 0.4 of the usual figure, within a factor of e (common practice, no source).
    """
    kits = {kit.name: kit for kit in schedule.kits}
    gains = []
    for name, bottle in schedule.gains:
        stated = kits[name].calibration_sd
        sd = USUAL_CALIBRATION_SD if stated is None else stated
        gains.append(Prior(f"gain {name} {bottle}", LOG, 1.0, sd))
    repeats = []
    for kit in schedule.kits:
        usual = PARAMETERS[kit.parameter].assumed_repeatability
        median, sd = max(0.7 * kit.step, 0.4 * usual), 0.5
        if kit.repeatability is not None:
            median, sd = kit.repeatability, 0.27
        repeats.append(Prior(f"repeatability {kit.name}", LOG, median, sd))
    return (*gains, *repeats)


class PriorArrays(NamedTuple):
    """All priors as one map from independent standard normal numbers z (p,) to parameters.

    x = centre + root z is normal with the stated spreads (bottles of one kit are correlated); each
    x is then taken to its natural scale. `net_change`: no addition is in the log. `lit`: lit
    fraction of the day.
    """

    centre: np.ndarray
    root: np.ndarray
    scale: np.ndarray
    low: np.ndarray
    high: np.ndarray
    net_change: bool
    lit: float


@dataclass(frozen=True)
class PriorTable:
    """The priors by name, and the same as arrays."""

    priors: tuple[Prior, ...]
    arrays: PriorArrays

    @property
    def size(self) -> int:
        """Number of parameters p."""
        return len(self.priors)

    def natural(self, z: np.ndarray) -> np.ndarray:
        """Parameters (..., p) on their natural scales at z (..., p)."""
        rows = [natural_at(row, self.arrays) for row in z.reshape(-1, self.size)]
        return np.array(rows).reshape(z.shape)

    def theta(self, natural: np.ndarray) -> np.ndarray:
        """theta (q,) as `mass_balance.fill` takes it, from natural parameters (p,)."""
        return theta_at(natural, self.arrays)


@njit(cache=True)
def natural_at(z, arrays):  # type: ignore[no-untyped-def]
    """Parameters (p,) on their natural scales at z (p,)."""
    value = np.empty(len(z))
    for a in range(len(z)):
        value[a] = arrays.centre[a]
        for b in range(a + 1):
            value[a] += arrays.root[a, b] * z[b]
        if arrays.scale[a] == LOG:
            value[a] = np.exp(value[a])
        elif arrays.scale[a] == LOGIT:
            part = 0.5 * (1.0 + np.tanh(0.5 * value[a]))
            value[a] = arrays.low[a] + (arrays.high[a] - arrays.low[a]) * part
    return value


@njit(cache=True)
def theta_at(natural, arrays):  # type: ignore[no-untyped-def]
    """theta (q,) as `mass_balance.fill` takes it, from natural parameters (p,).

    The light ratio becomes φ, and the scale of uptake changes is inserted: the starting uptake, or
    1 dKH/day where only the net change is seen, around which a relative drift means nothing.
    """
    theta = np.empty(len(natural) + 1)
    for a in range(len(natural)):
        theta[a if a <= UPTAKE_AT else a + 1] = natural[a]
    theta[UPTAKE_AT + 1] = units.MEQ_L_PER_DKH if arrays.net_change else natural[UPTAKE_AT]
    excess = arrays.lit * (natural[LIGHT_AT] - 1.0)
    theta[LIGHT_AT] = excess / (1.0 + excess)
    return theta


@njit(cache=True)
def _pull_to_z(gradient, natural, arrays):  # type: ignore[no-untyped-def]
    """Gradient by z (p,) from that by theta (q,)."""
    slope = np.empty(len(natural))
    for a in range(len(natural)):
        slope[a] = gradient[a if a <= UPTAKE_AT else a + 1]
    if not arrays.net_change:
        slope[UPTAKE_AT] += gradient[UPTAKE_AT + 1]
    slope[LIGHT_AT] *= arrays.lit / (1.0 + arrays.lit * (natural[LIGHT_AT] - 1.0)) ** 2
    for a in range(len(natural)):
        if arrays.scale[a] == LOG:
            slope[a] *= natural[a]
        elif arrays.scale[a] == LOGIT:
            slope[a] *= (
                (natural[a] - arrays.low[a])
                * (arrays.high[a] - natural[a])
                / (arrays.high[a] - arrays.low[a])
            )
    pulled = np.zeros(len(natural))
    for a in range(len(natural)):
        for b in range(a + 1):
            pulled[b] += arrays.root[a, b] * slope[a]
    return pulled


def prior_table(schedule: Schedule, tank: Tank) -> PriorTable:
    """All priors of one log and tank."""
    table = (*physical_priors(schedule, tank), *_kit_priors(schedule))
    sd = np.array([prior.sd for prior in table])
    correlation = np.eye(len(table))
    first = len(table) - len(schedule.gains) - len(schedule.kits)
    names = [name for name, _ in schedule.gains]
    block = np.where(np.equal.outer(names, names), BOTTLE_CORRELATION, 0.0)
    np.fill_diagonal(block, 1.0)
    last = first + len(names)
    correlation[first:last, first:last] = block
    arrays = PriorArrays(
        centre=np.array([prior.centre for prior in table]),
        root=sd[:, None] * np.linalg.cholesky(correlation),
        scale=np.array([prior.scale for prior in table]),
        low=np.array([prior.low for prior in table]),
        high=np.array([prior.high for prior in table]),
        net_change=not schedule.additions,
        lit=lit_fraction(tank),
    )
    return PriorTable(priors=table, arrays=arrays)


class TankLikelihood(Op):
    """log p(readings | z, error spread), levels integrated out, with its gradient.

    Inputs: z (p,) of the `PriorTable`; spread (m,) factor on each reading's error sd. Outputs: the
    log-likelihood, and its gradient by z (p,). Both come from one sweep; the gradient by `spread`
    is not given (its classes are discrete).
    """

    itypes = (pt.dvector, pt.dvector)
    otypes = (pt.dscalar, pt.dvector)
    __props__ = ()

    def __init__(self, schedule: Schedule, table: PriorTable) -> None:
        self.frame = frame_of(schedule, table)

    def __eq__(self, other: object) -> bool:
        return self is other

    def __hash__(self) -> int:
        return id(self)

    def perform(self, node: Apply, inputs: Any, output_storage: Any) -> None:
        z, spread = inputs
        value, gradient = value_and_gradient(z, spread, self.frame)
        output_storage[0][0] = np.asarray(value)
        output_storage[1][0] = gradient

    def pullback(self, inputs: Any, outputs: Any, output_grads: Any) -> list[Any]:
        """Gradients of a cost by the inputs (the name since PyTensor 3)."""
        by_spread = pytensor.gradient.grad_not_implemented(self, 1, inputs[1])
        return [output_grads[0] * outputs[1], by_spread]

    L_op = pullback


class Frame(NamedTuple):
    """All that the compiled likelihood needs beside z and the spreads."""

    steps: np.ndarray
    moments: np.ndarray
    shape: Shape
    mean: np.ndarray
    covariance: np.ndarray
    root: np.ndarray
    reading_step: np.ndarray
    arrays: PriorArrays


def frame_of(schedule: Schedule, table: PriorTable) -> Frame:
    """The frame of one log; `root` is a root of the start covariance, which may be singular."""
    values, vectors = np.linalg.eigh(schedule.covariance)
    return Frame(
        steps=schedule.steps,
        moments=schedule.moments,
        shape=schedule.shape,
        mean=schedule.mean,
        covariance=schedule.covariance,
        root=np.ascontiguousarray(vectors * np.sqrt(np.clip(values, 0.0, None))),
        reading_step=schedule.reading_step,
        arrays=table.arrays,
    )


@njit(cache=True)
def _by_step(spread, frame):  # type: ignore[no-untyped-def]
    steps = np.ones(len(frame.steps))
    for m in range(len(spread)):
        steps[frame.reading_step[m]] = spread[m]
    return steps


@njit(cache=True)
def value_and_gradient(z, spread, frame):  # type: ignore[no-untyped-def]
    """Log-likelihood and its gradient by z (p,); −inf and zeros where the numbers overflow."""
    natural = natural_at(z, frame.arrays)
    theta = theta_at(natural, frame.arrays)
    by_step = _by_step(spread, frame)
    system = fill(
        theta, by_step, frame.steps, frame.moments, frame.shape, frame.mean, frame.covariance
    )
    value, adjoint = log_likelihood_and_adjoint(system)
    gradient = pull_back(theta, by_step, frame.steps, frame.moments, frame.shape, adjoint)
    pulled = _pull_to_z(gradient, natural, frame.arrays)
    if not (np.isfinite(value) and np.isfinite(pulled.sum())):
        return -np.inf, np.zeros(len(z))
    return value, pulled


@njit(cache=True)
def draw_path_at(theta, spread, frame, normals):  # type: ignore[no-untyped-def]
    """One exact draw of all states (n, d), and the readings it leads to expect (m,).

    theta (q,), spread (m,), normals (n + 1, d + 1) standard normal numbers; zeros give the
    smoothed mean.
    """
    system = fill(
        theta,
        _by_step(spread, frame),
        frame.steps,
        frame.moments,
        frame.shape,
        frame.mean,
        frame.covariance,
    )
    path = draw_states(system, frame.root, normals)
    expected = np.empty(len(frame.reading_step))
    for m in range(len(expected)):
        i = frame.reading_step[m]
        expected[m] = system.intercept[i]
        for a in range(frame.shape.size):
            expected[m] += system.loading[i, a] * path[i, a]
    return path, expected


def class_chances(residual: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Chance of each class of reading (m, 4) given its residual (m,) and ordinary variance (m,)."""
    scaled = residual[:, None] / np.sqrt(variance)[:, None] / MISREAD_SPREAD
    log_weight = np.log(MISREAD_CHANCE / MISREAD_SPREAD) - 0.5 * scaled**2
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return weight / weight.sum(axis=1, keepdims=True)


@njit(cache=True)
def _log_mixture(residual, rounding, repeatability, chance, spread):  # type: ignore[no-untyped-def]
    """log Π_i Σ_c chance_c N(residual_i; 0, spread_c² (repeatability² + rounding_i))."""
    total = 0.0
    for i in range(len(residual)):
        variance = repeatability**2 + rounding[i]
        square = residual[i] ** 2 / variance
        weight = 0.0
        for c in range(len(chance)):
            weight += chance[c] / spread[c] * np.exp(-0.5 * square / spread[c] ** 2)
        total += np.log(weight + 1e-300) - 0.5 * np.log(variance)
    return total


@njit(cache=True)
def _walk_repeatability(z, median, sd, residual, rounding, chance, spread, moves):  # type: ignore[no-untyped-def]
    """Metropolis moves of one kit's z given its residuals, classes summed out.

    moves (k, 2): a standard normal step scaled to both ends of the plausible range, and a uniform.
    """
    here = _log_mixture(residual, rounding, median * np.exp(sd * z), chance, spread) - 0.5 * z**2
    for m in range(len(moves)):
        step = 1.5 if m % 2 else 0.4
        new = z + step * moves[m, 0]
        there = _log_mixture(residual, rounding, median * np.exp(sd * new), chance, spread)
        there -= 0.5 * new**2
        if np.log(moves[m, 1]) < there - here:
            z, here = new, there
    return z


@njit(cache=True)
def _log_likelihood(theta, misread, frame):  # type: ignore[no-untyped-def]
    """Log-likelihood with the levels integrated out, at classes (m,)."""
    spread = np.empty(len(misread))
    for m in range(len(misread)):
        spread[m] = MISREAD_SPREAD[misread[m]]
    system = fill(
        theta,
        _by_step(spread, frame),
        frame.steps,
        frame.moments,
        frame.shape,
        frame.mean,
        frame.covariance,
    )
    return forward(system)[0]


@njit(cache=True)
def flip_classes(theta, misread, candidates, moves, frame):  # type: ignore[no-untyped-def]
    """Metropolis moves of the classes of few readings, levels integrated out.

    Two effluent readings that disagree can each be the misread one. Given the levels, which follow
    whichever is believed, the classes would hardly ever change places; so either two candidates
    swap their classes or one takes a class from the prior, and the move is judged by the likelihood
    without the levels.

    Args:
        theta: (q,) parameters.
        misread: (m,) classes.
        candidates: (c,) readings, c > 1.
        moves: (k, 3) uniform numbers: which reading, which other or which class, whether accepted.
        frame: the log.

    Returns:
        (m,) classes.
    """
    here = _log_likelihood(theta, misread, frame)
    for k in range(len(moves)):
        proposal = misread.copy()
        first = candidates[int(moves[k, 0] * len(candidates))]
        if k % 2 == 0:
            second = candidates[int(moves[k, 1] * len(candidates))]
            proposal[first], proposal[second] = misread[second], misread[first]
        else:
            below = 0.0
            for c in range(len(MISREAD_CHANCE)):
                if moves[k, 1] >= below:
                    proposal[first] = c
                below += MISREAD_CHANCE[c]
        same = True
        for candidate in candidates:
            same = same and proposal[candidate] == misread[candidate]
        if same:
            continue
        there = _log_likelihood(theta, proposal, frame)
        if np.log(moves[k, 2]) < there - here:
            misread, here = proposal, there
    return misread


EFFLUENT_MOVES = 4
"""Collapsed moves of effluent classes per NUTS step; each that proposes a change costs a third of a
gradient."""
REPEATABILITY_MOVES = 8
SWEEPS = 3
"""Gibbs sweeps per NUTS step: a sweep costs about one gradient."""


class KitErrorStep(BlockedStep):
    """Gibbs step for the errors of the kits: repeatabilities and classes of readings.

    (1) Draw the levels given everything else. (2) Given the levels the residuals are known: move
    each kit's repeatability with the classes summed out, then (3) draw the classes; (4) swap and
    flip classes of effluent readings with the levels integrated out (`flip_classes`). NUTS then
    moves all of z with the levels integrated out again. Summing out is what lets a kit's
    repeatability and its count of odd readings, which explain each other, change together. Each
    sweep leaves the joint posterior unchanged (a partially collapsed Gibbs sampler: van Dyk & Park
    2008, JASA 103:790; the levels are drawn afresh before they are used and dropped after).
    """

    name = "kit_error"
    stats_dtypes_shapes: dict[str, Any] = {}  # noqa: RUF012
    default_blocked = True

    def __init__(
        self,
        vars: Any,
        *,
        schedule: Schedule,
        table: PriorTable,
        model: Any = None,
        rng: Any = None,
        blocked: bool = True,
    ) -> None:
        self.vars = vars
        self.table = table
        self.frame = frame_of(schedule, table)
        self.rng = get_random_generator(rng)
        at = schedule.reading_step
        self.value = schedule.steps["value"][at]
        self.rounding = schedule.steps["rounding"][at]
        self.scatter = schedule.steps["scatter"][at]
        self.effluent = np.flatnonzero(
            np.isin(schedule.steps["kind"][at], (EFFLUENT_ALKALINITY, EFFLUENT_CALCIUM))
        )
        kit = schedule.steps["kit"][at]
        self.normals = (len(schedule.step_time_d) + 1, schedule.layout.size + 1)
        first = table.size - len(schedule.kits)
        self.kit_readings = [
            (first + k, np.flatnonzero(kit == k)) for k in range(len(schedule.kits))
        ]

    def step(self, point: dict[str, np.ndarray]) -> tuple[dict[str, np.ndarray], list[Any]]:
        z, misread = point["z"].copy(), point["misread"]
        for _ in range(SWEEPS):
            z, misread = self._sweep(z, misread)
        if len(self.effluent) > 1:
            theta = self.table.theta(self.table.natural(z))
            moves = self.rng.random((EFFLUENT_MOVES, 3))
            misread = flip_classes(theta, misread, self.effluent, moves, self.frame)
        return point | {"z": z, "misread": misread}, [{}]

    def _sweep(self, z: np.ndarray, misread: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        theta = self.table.theta(self.table.natural(z))
        normals = self.rng.standard_normal(self.normals)
        _, expected = draw_path_at(theta, MISREAD_SPREAD[misread], self.frame, normals)
        residual = self.value - expected
        variance = self.rounding.copy()
        for place, readings in self.kit_readings:
            prior = self.table.priors[place]
            moves = np.empty((REPEATABILITY_MOVES, 2))
            moves[:, 0] = self.rng.standard_normal(REPEATABILITY_MOVES)
            moves[:, 1] = self.rng.random(REPEATABILITY_MOVES)
            z[place] = _walk_repeatability(
                z[place],
                prior.median,
                prior.sd,
                residual[readings] / self.scatter[readings],
                self.rounding[readings] / self.scatter[readings] ** 2,
                MISREAD_CHANCE,
                MISREAD_SPREAD,
                moves,
            )
            repeat = prior.median * np.exp(prior.sd * z[place])
            variance[readings] += (self.scatter[readings] * repeat) ** 2
        chances = class_chances(residual, variance)
        picked = (self.rng.random((len(chances), 1)) > np.cumsum(chances, axis=1)).sum(axis=1)
        return z, np.minimum(picked, len(MISREAD_SPREAD) - 1).astype(misread.dtype)


def build_model(schedule: Schedule, tank: Tank) -> pm.Model:
    """The PyMC model of one log.

    Free variables: `z` (p,), standard normal numbers that `PriorTable` maps to the parameters, and
    `misread` (m,), the class of each reading. Potential: `readings`.
    """
    table = prior_table(schedule, tank)
    likelihood = TankLikelihood(schedule, table)
    with pm.Model(coords={"parameter": [prior.name for prior in table.priors]}) as model:
        z = pm.Normal("z", 0.0, 1.0, dims="parameter")
        misread = pm.Categorical("misread", p=MISREAD_CHANCE, shape=len(schedule.readings))
        spread = pt.as_tensor(MISREAD_SPREAD)[misread]
        log_likelihood, _ = cast(list[Any], likelihood(z, spread))
        pm.Potential("readings", log_likelihood)
    return model
