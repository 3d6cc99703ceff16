"""Sample the model with one seed.

The start and the mass matrix come from a Laplace approximation, which costs some hundred
likelihoods, so that NUTS spends its tuning on step size. Chains run in parallel processes, and can
be drawn on from where they stopped; how long is decided in `fitting`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Any, cast

import numpy as np
import pymc as pm
from pymc.model.core import ValueGradFunction
from pymc.step_methods.hmc.quadpotential import QuadPotentialFull
from scipy import optimize

from estimator.errors import FitError
from estimator.fit.likelihood import (
    MISREAD_SPREAD,
    bent,
    class_chances,
    density_and_gradient,
    draw_path_at,
    straight,
)
from estimator.fit.model import PLAIN_MODE, KitErrorStep, TankDensity, build_model
from estimator.fit.moves import rough_of
from estimator.fit.problem import Problem
from estimator.fit.trace import Trace
from estimator.processes import Bound

CHAINS = 4
TUNE = 30
"""Draws of each chain that find the step size, and the way in from a start that is near."""
USUAL_STEP = 0.6
"""Step size that the tuning begins with; most logs end with 0.55 to 0.7."""
TARGET_ACCEPT = 0.8
"""Acceptance that the step size aims at; higher is smaller, safer steps. On 21 logs 0.8 gave a
sixth more effective draws a second than 0.9, as few divergences, and 0.7 no more."""
SMALLER = 0.85
"""Chains that are drawn on take steps so much smaller than before: what held them up is most often
a narrow place, and elsewhere it costs a sixth more."""
ROBUST_ROUNDS = 4
WALL = 1e12


class _Density:
    """Log posterior of t (p,), see `likelihood.straight`, classes of the readings held fixed."""

    def __init__(self, model: pm.Model, problem: Problem) -> None:
        t = model.rvs_to_values[model["t"]]
        classes = model.rvs_to_values[model["misread"]]
        jump = model.rvs_to_values[model["jump"]]
        # PyMC would compile a function for it.
        self.start = {
            "t": np.zeros(problem.priors.size),
            "misread": np.zeros(len(problem.schedule.readings), dtype=np.int64),
            "jump": np.asarray(0),
        }
        # The classes' own prior is for the Gibbs step.
        density, _ = cast(list[Any], TankDensity(problem.frame)(t, classes, jump))
        self.function = ValueGradFunction(
            [density],
            [t],
            {classes: self.start["misread"], jump: self.start["jump"]},
            model=model,
            initial_point=self.start,
            ravel_inputs=True,
            mode=PLAIN_MODE,
        )
        self.function.trust_input = True
        self.frame = problem.frame
        # PyTensor's way through its graph takes as long as a third of a short log's density. Where
        # PyMC keeps these elsewhere one day, that way is taken.
        self.shared = getattr(self.function, "_extra_vars_shared", {})
        if {"misread", "jump"} <= set(self.shared):
            self.function._pytensor_function = self._at

    def _at(self, t: np.ndarray) -> tuple[float, np.ndarray]:
        """What the compiled function of PyTensor would give, without it."""
        spread = MISREAD_SPREAD[self.shared["misread"].get_value(borrow=True)]
        jump = int(self.shared["jump"].get_value(borrow=True))
        return density_and_gradient(t, spread, jump, self.frame)

    def set_classes(self, misread: np.ndarray) -> None:
        """Fix the classes (m,), with no jump."""
        self.function.set_extra_values({"misread": misread, "jump": np.asarray(0)})

    def minus(self, t: np.ndarray) -> tuple[float, np.ndarray]:
        """Minus the log density and minus its gradient; a wall where it is not finite."""
        value, gradient = self.function(t)
        if not np.isfinite(value):
            return WALL, np.zeros_like(t)
        return -float(value), -np.asarray(gradient)


def _mode(density: _Density, problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mode t (p,) and the classes (m,) there.

    Classes start as ordinary and are set to the likeliest one given the smoothed residuals, until
    they settle, so that one misread titration cannot pull the start away.
    """
    frame, table = problem.frame, problem.priors
    readings = frame.steps[frame.reading_step]
    first_kit = problem.schedule.shape.first_repeatability
    normals = np.zeros((len(frame.steps) + 1, frame.shape.size + 1))
    misread = np.zeros(len(readings), dtype=int)
    t = straight(np.zeros(table.size), frame.ridge)
    for _ in range(ROBUST_ROUNDS):
        density.set_classes(misread)
        t = optimize.minimize(
            density.minus, t, jac=True, method="L-BFGS-B", options={"maxiter": 300}
        ).x
        natural = table.natural(bent(t, frame.ridge))
        _, expected = draw_path_at(natural, MISREAD_SPREAD[misread], 0, frame, normals)
        repeat = natural[first_kit + readings["kit"]]
        residual = readings["value"] - expected
        likeliest = class_chances(
            residual, (readings["scatter"] * repeat) ** 2 + readings["rounding"]
        ).argmax(axis=1)
        if np.array_equal(likeliest, misread):
            break
        misread = likeliest
    return t, misread


def _laplace_covariance(density: _Density, z: np.ndarray) -> np.ndarray:
    """Inverse of the Hessian by central differences of the gradient, made safely positive."""
    step = 1e-4
    rows = [
        (density.minus(z + step * unit)[1] - density.minus(z - step * unit)[1]) / (2 * step)
        for unit in np.eye(len(z))
    ]
    hessian = 0.5 * (np.array(rows) + np.array(rows).T)
    values, vectors = np.linalg.eigh(hessian)
    # The prior alone gives curvature 1.
    return (vectors / np.clip(values, 0.5, None)) @ vectors.T


class _Momenta(QuadPotentialFull):
    """PyMC's kinetic energy, its random momenta by a root made once."""

    def __init__(self, covariance: np.ndarray) -> None:
        super().__init__(covariance)
        self._root = np.linalg.inv(self._chol).T

    def random(self) -> np.ndarray:
        """Normal with the inverse of the covariance."""
        return self._root @ self.rng.normal(size=self._n)


class Sampler:
    """The chains of one log, made ready once.

    Raises:
        FitError: no starting point has a finite density.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.model = build_model(problem)
        self.density = _Density(self.model, problem)
        self.mode, self.misread = _mode(self.density, problem)
        if self.density.minus(self.mode)[0] >= WALL:
            msg = "the model has no finite starting point for this log; check its units and amounts"
            raise FitError(msg)
        self.covariance = _laplace_covariance(self.density, self.mode)

    def draw(
        self,
        seed: np.random.SeedSequence,
        draws: int,
        *,
        resume: Trace | None = None,
        cores: int | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> Trace:
        """Draw from the posterior.

        Args:
            seed: fixes every draw.
            draws: kept draws per chain.
            resume: start each chain where that of an earlier trace ended, in steps `SMALLER` than
                its; without one the step size is found in `TUNE` draws first.
            cores: processes; default one per processor, at most one per chain.
            progress: called with (draws done, draws in all) from time to time.
        """
        rng, size = np.random.default_rng(seed), len(self.mode)
        root = size**0.25  # PyMC divides its step by it
        if resume is None:
            spread = 0.5 * np.linalg.cholesky(self.covariance)
            starts = [
                (self.mode + spread @ rng.standard_normal(size), self.misread, 0)
                for _ in range(CHAINS)
            ]
            steps: dict[str, Any] = {
                "target_accept": TARGET_ACCEPT,
                "step_scale": USUAL_STEP * root,
            }
        else:
            ends = [straight(z, self.problem.frame.ridge) for z in resume.z[:, -1]]
            starts = list(zip(ends, resume.misread[:, -1], resume.jump[:, -1], strict=True))
            steps = {"step_scale": SMALLER * resume.step_size * root, "adapt_step_size": False}
        tune = TUNE if resume is None else 0
        trace = self._run(steps, starts, rng, tune, draws, cores, progress)
        return _trace_of(trace, self.problem, draws)

    def _run(
        self,
        steps: dict[str, Any],
        starts: list[tuple[np.ndarray, np.ndarray, int]],
        rng: np.random.Generator,
        tune: int,
        draws: int,
        cores: int | None,
        progress: Callable[[int, int], None] | None,
    ) -> Any:
        """One quiet call of PyMC's sampler, with what NUTS is told of its steps."""
        model, done = self.model, 0

        def count(**_: Any) -> None:
            nonlocal done
            done += 1
            if progress is not None and done % 50 == 0:
                progress(done, CHAINS * (tune + draws))

        with model:
            nuts = pm.NUTS(
                [model["t"]],
                potential=_Momenta(self.covariance),
                logp_dlogp_func=self.density.function,
                initial_point=self.density.start,
                model=model,
                **steps,
            )
            errors = KitErrorStep(
                [model.rvs_to_values[model[name]] for name in ("misread", "jump", "t")],
                problem=self.problem,
                rough=rough_of(self.mode, self.covariance),
                model=model,
            )
            return pm.sample(
                draws,
                tune=tune,
                chains=CHAINS,
                cores=min(cores or os.cpu_count() or 1, CHAINS),
                step=[nuts, errors],
                initvals=[
                    {"t": t.copy(), "misread": classes.copy(), "jump": np.asarray(jump)}
                    for t, classes, jump in starts
                ],
                random_seed=int(rng.integers(2**31)),
                progressbar=False,
                quiet=True,
                compute_convergence_checks=False,
                return_inferencedata=False,
                callback=count,
                # On a Mac as PyMC has it.
                mp_ctx=Bound("fork" if sys.platform == "darwin" else None),
                model=model,
            )


def sample(
    problem: Problem,
    seed: np.random.SeedSequence,
    *,
    draws: int,
    cores: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Trace:
    """So many draws per chain, whatever their checks say; see `Sampler`."""
    return Sampler(problem).draw(seed, draws, cores=cores, progress=progress)


def _trace_of(trace: Any, problem: Problem, draws: int) -> Trace:
    """PyMC's trace as ours."""
    chains = trace.get_values("t", combine=False, squeeze=False)
    if [len(chain) for chain in chains] != [draws] * CHAINS:
        # PyMC takes an interrupt as enough draws; advice from a part of them is not wanted.
        raise KeyboardInterrupt
    z = np.array([[bent(t, problem.frame.ridge) for t in chain] for chain in chains])
    sizes = trace.get_sampler_stats("step_size_bar", combine=False, squeeze=False)
    return Trace(
        z=z,
        natural=problem.priors.natural(z),
        misread=np.array(trace.get_values("misread", combine=False)),
        jump=np.array(trace.get_values("jump", combine=False)).reshape(CHAINS, draws),
        divergences=int(np.sum(trace.get_sampler_stats("diverging"))),
        gradients=int(np.sum(trace.get_sampler_stats("tree_size"))),
        step_size=float(np.exp(np.mean([np.log(chain[-1]) for chain in sizes]))),
    )
