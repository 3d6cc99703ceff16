"""The PyMC model: priors, and the likelihood with every level and uptake path integrated out.

Given volume, light ratio, mean uptake, effluent strength and the error scales, the tank is linear
and Gaussian (`mass_balance`), so the Kalman filter (`kalman`) gives the likelihood and its gradient
exactly, and NUTS meets only a dozen well-behaved parameters. Heavy tails are kept exact by one
class per reading: an ordinary reading, or one whose error sd is 4, 16 or 64 times larger. The
classes are drawn by Gibbs steps (`KitErrorStep`) from their full conditional given one exact draw
of the levels; levels are then integrated out again. The plain form of the same model, every latent
sampled, is in `tests/benchmark_plain_model.py`.

`priors` lists every prior with its reason; `likelihood` holds the compiled code.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pymc as pm
import pytensor
import pytensor.tensor as pt
from pymc.step_methods.compound import BlockedStep
from pymc.util import get_random_generator
from pytensor.compile.mode import Mode
from pytensor.graph.basic import Apply
from pytensor.graph.op import Op

from estimator.fit.layout import EFFLUENT_ALKALINITY, EFFLUENT_CALCIUM
from estimator.fit.likelihood import (
    MISREAD_CHANCE,
    MISREAD_SPREAD,
    bent,
    density_and_gradient,
    draw_path_at,
    straight,
)
from estimator.fit.moves import CALCIUM, EITHER, MOVES_APART, Rough, move_apart, sweep_errors
from estimator.fit.priors import natural_at
from estimator.fit.problem import Frame, Problem

PLAIN_MODE = Mode(linker="py", optimizer="fast_run").excluding("fusion")
"""The graph is a few scalars around one compiled operation: a C compiler would cost seconds and
save microseconds."""


class TankDensity(Op):
    """log p(readings | z, classes, jump) p(z), levels integrated out, with its gradient.

    Inputs: t (p,), which stands for z of the `PriorTable` (`likelihood.straight`); the class of
    each reading (m,); a candidate of `jumps`. Outputs: the log density, up to a constant, and its
    gradient by t (p,). Both come from one sweep; there is none by the discrete classes and jump. It
    is one operation, since a graph of several costs as much as the likelihood itself.
    """

    itypes = (pt.dvector, pt.lvector, pt.lscalar)
    otypes = (pt.dscalar, pt.dvector)
    __props__ = ()

    def __init__(self, frame: Frame) -> None:
        self.frame = frame

    def __eq__(self, other: object) -> bool:
        return self is other

    def __hash__(self) -> int:
        return id(self)

    def perform(self, node: Apply, inputs: Any, output_storage: Any) -> None:
        t, misread, jump = inputs
        value, gradient = density_and_gradient(t, MISREAD_SPREAD[misread], int(jump), self.frame)
        output_storage[0][0] = np.asarray(value)
        output_storage[1][0] = gradient

    def pullback(self, inputs: Any, outputs: Any, output_grads: Any) -> list[Any]:
        """Gradients of a cost by the inputs (the name since PyTensor 3)."""
        discrete = [pytensor.gradient.grad_undefined(self, i, inputs[i]) for i in (1, 2)]
        return [output_grads[0] * outputs[1], *discrete]

    L_op = pullback


REPEATABILITY_MOVES = 8
SWEEPS = 2
"""Gibbs sweeps per NUTS step: a sweep costs about one gradient."""


class KitErrorStep(BlockedStep):
    """Gibbs step for the errors of the kits: repeatabilities and classes of readings.

    (1) Draw the levels given everything else. (2) Given the levels the residuals are known: move
    each kit's repeatability with the classes summed out, then (3) draw the classes; (4) move
    between explanations that lie far apart, and draw the jump, with the levels integrated out
    (`move_apart`). NUTS then moves all of z with the levels integrated out again. Summing out is
    what lets a kit's repeatability and its count of odd readings, which explain each other, change
    together. Each sweep leaves the joint posterior unchanged (a partially collapsed Gibbs sampler:
    van Dyk & Park 2008, JASA 103:790; the levels are drawn afresh before they are used and dropped
    after).
    """

    name = "kit_error"
    stats_dtypes_shapes: dict[str, Any] = {}  # noqa: RUF012
    default_blocked = True

    def __init__(
        self,
        vars: Any,
        *,
        problem: Problem,
        rough: Rough,
        model: Any = None,
        rng: Any = None,
        blocked: bool = True,
    ) -> None:
        self.vars = vars
        schedule, table = problem.schedule, problem.priors
        self.table = table
        self.frame, self.rough = problem.frame, rough
        self.rng = get_random_generator(rng)
        kind = schedule.steps["kind"][schedule.reading_step]
        self.effluent = np.flatnonzero(np.isin(kind, (EFFLUENT_ALKALINITY, EFFLUENT_CALCIUM)))
        self.every = np.arange(len(kind))
        self.kinds = MOVES_APART.copy()
        if not len(self.effluent):
            # What would be said of its readings is said of any.
            self.kinds[self.kinds[:, 1] < CALCIUM, 1] = EITHER
        self.normals = (len(schedule.step_time_d) + 1, schedule.layout.size + 1)
        self.moves = (len(schedule.kits), REPEATABILITY_MOVES)
        priors = table.priors[table.size - len(schedule.kits) :]
        self.median = np.array([prior.median for prior in priors])
        self.sd = np.array([prior.sd for prior in priors])

    def step(self, point: dict[str, np.ndarray]) -> tuple[dict[str, np.ndarray], list[Any]]:
        t, misread, jump = point["t"], point["misread"], int(point["jump"])
        z = bent(t, self.frame.ridge)
        for _ in range(SWEEPS):
            natural, spread = natural_at(z, self.frame.arrays), MISREAD_SPREAD[misread]
            normals = self.rng.standard_normal(self.normals)
            _, expected = draw_path_at(natural, spread, jump, self.frame, normals)
            z, misread = sweep_errors(
                z,
                expected,
                self.frame,
                self.median,
                self.sd,
                MISREAD_CHANCE,
                MISREAD_SPREAD,
                self.rng.standard_normal(self.moves),
                self.rng.random(self.moves),
                self.rng.random(len(misread)),
            )
        moves = self.rng.random((len(self.kinds), 4))
        fresh, uniform = self.rng.standard_normal((len(self.kinds), len(z))), self.rng.random()
        apart = (self.effluent, self.every, self.kinds, moves, fresh, uniform)
        z, misread, jump = move_apart(z, misread, *apart, self.rough, self.frame)
        return point | {
            "t": straight(z, self.frame.ridge),
            "misread": misread,
            "jump": np.asarray(jump),
        }, [{}]


def build_model(problem: Problem) -> pm.Model:
    """The PyMC model of one log.

    Free variables: `t` (p,), which stands for the standard normal numbers z that `PriorTable` maps
    to the parameters (`likelihood.straight`; their prior is in the density); `misread` (m,), the
    class of each reading; `jump`, which of the candidates of `jumps` happened. Potential:
    `density`.
    """
    density = TankDensity(problem.frame)
    names = [prior.name for prior in problem.priors.priors]
    with pm.Model(coords={"parameter": names}) as model:
        t = pm.Flat("t", dims="parameter", initval=np.zeros(len(names)))
        misread = pm.Categorical("misread", p=MISREAD_CHANCE, shape=len(problem.schedule.readings))
        jump = pm.Categorical("jump", p=np.exp(problem.frame.jumps.log_prior))
        log_density, _ = cast(list[Any], density(t, misread, jump))
        pm.Potential("density", log_density)
    return model
