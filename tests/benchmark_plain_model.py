"""The fast sampler against the same model written out plainly in PyMC.

Both fit one simulated log (120 days, 55 alkalinity readings, 20 calcium, 6 effluent). The plain
form samples every latent with PyMC's own NUTS: each parameter on its natural scale, start levels,
new water, the media's magnesium, and one step of the random walks for every midnight and event; odd
readings are a `NormalMixture`. Neither lets anything jump, which NUTS has no means for. The table
gives time and effective draws of both, and how far their posterior means differ in Monte Carlo
errors: the two must agree, or one of them is wrong.

    python tests/benchmark_plain_model.py --draws 500
"""

from __future__ import annotations

import argparse
import logging
import os
import platform
import sys
import time
import warnings
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import arviz as az
import numpy as np
import pymc as pm
import pytensor.tensor as pt
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from estimator import units
from estimator.fit.fitting import FIRST_DRAWS
from estimator.fit.jumps import Jumps
from estimator.fit.layout import (
    DOSE,
    EFFLUENT_ALKALINITY,
    KNOWN_SOLUTION,
    PHYSICAL,
    PULSE,
    TANK_ALKALINITY,
    TANK_CALCIUM,
    UNIT,
)
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.mass_balance import LEAST_UNLOGGED, UNLOGGED_DAYS
from estimator.fit.posterior import Posterior, collect
from estimator.fit.priors import BOTTLE_CORRELATION, LOG, LOGIT, Prior
from estimator.fit.problem import Problem, pose
from estimator.fit.sampling import CHAINS, sample
from estimator.fit.schedule import Schedule
from estimator.synthetic.simulation import simulate_log
from estimator.water.light import TERMS
from estimator.water.supply import SupplyLaw
from helpers.tanks import dosed_then_reactor_log, example_tank, example_truth

DAYS = 120


def example(seed: int) -> Problem:
    """The log that both fit, nothing having jumped; one titration is misread by 2 dKH."""
    tank = example_tank()
    skeleton = dosed_then_reactor_log(DAYS, 55, 20, 6)
    truth = example_truth(DAYS, misread={20: 2 * units.MEQ_L_PER_DKH})
    log = simulate_log(tank, skeleton, truth, np.random.default_rng(seed))
    problem = pose(log, tank)
    none = {name: part[:1] for name, part in problem.frame.jumps._asdict().items()}
    jumps = Jumps(**none | {"log_prior": np.zeros(1)})
    return replace(problem, frame=problem.frame._replace(jumps=jumps))


def natural(prior: Prior) -> pt.TensorVariable:
    """A prior as a random variable on its natural scale."""
    if prior.scale == LOG:
        return pm.LogNormal(prior.name, np.log(prior.median), prior.sd)
    if prior.scale == LOGIT:
        part = pm.math.sigmoid(pm.Normal(f"{prior.name} (logit)", prior.centre, prior.sd))
        return pm.Deterministic(prior.name, prior.low + (prior.high - prior.low) * part)
    return pm.Normal(prior.name, prior.median, prior.sd)


def kit_gains(schedule: Schedule, priors: Mapping[str, Prior]) -> list[pt.TensorVariable]:
    """Log gain of a bottle: the kit's part and the bottle's part, correlated as in the model."""
    shared = {kit.name: pm.Normal(f"kit {kit.name}", 0.0, 1.0) for kit in schedule.kits}
    gains = []
    for name, bottle in schedule.bottles:
        own = pm.Normal(f"bottle {name} {bottle}", 0.0, 1.0)
        both = np.sqrt(BOTTLE_CORRELATION) * shared[name] + np.sqrt(1 - BOTTLE_CORRELATION) * own
        label = f"calibration {name} {bottle}"
        gains.append(pm.Deterministic(label, pt.exp(priors[label].sd * both)))
    return gains


def walk(name: str, variance: pt.TensorVariable, moves: np.ndarray) -> pt.TensorVariable:
    """A non-centred random walk (n,): its value after each step, moving where `moves` is True."""
    at = np.flatnonzero(moves)
    raw = pm.Normal(f"{name} steps", 0.0, 1.0, shape=len(at))
    return pt.cumsum(pt.set_subtensor(pt.zeros(len(moves))[at], raw * pt.sqrt(variance[at])))


def before(after: pt.TensorVariable, start: float | pt.TensorVariable = 0.0) -> pt.TensorVariable:
    """Values at the beginning of each step from those at its end."""
    return pt.concatenate([pt.atleast_1d(pt.as_tensor(start)), after[:-1]])


def series(moments: np.ndarray, decay: pt.TensorVariable) -> pt.TensorVariable:
    """Σ (−k)^j m_j for each span; as a product of arrays, since unrolled it compiles slowly."""
    powers = (-decay)[:, None] ** np.arange(1.0, TERMS)
    return moments[:, 0] + (powers * moments[:, 1:]).sum(axis=1)


def plain_model(problem: Problem) -> pm.Model:
    """Every latent a random variable; levels by cumulative products and sums.

    A level that obeys x_i = f_i x_{i−1} + b_i is P_i (x_0 + Σ b_j / P_j) with P the running product
    of the factors f.
    """
    schedule = problem.schedule
    steps, moments, shape, layout = (
        schedule.steps,
        schedule.moments,
        schedule.shape,
        schedule.layout,
    )
    priors = {prior.name: prior for prior in problem.priors.priors}
    alpha, middle = shape.media_calcium, shape.middle
    with pm.Model() as model:
        (
            volume,
            ratio,
            uptake,
            share,
            saturated,
            load_share,
            drift,
            x_drift,
            eta,
            beta,
            supplied,
        ) = (natural(prior) for prior in list(priors.values())[:PHYSICAL])
        gains = pt.stack(kit_gains(schedule, priors))
        repeats = pt.stack([natural(priors[f"repeatability {k.name}"]) for k in schedule.kits])
        sd = np.sqrt(np.diag(schedule.covariance))
        alkalinity_0 = pm.Normal("start alkalinity", schedule.mean[0], sd[0])
        # The schedule holds C − αA; the calcium itself is independent of the alkalinity.
        calcium_sd = np.sqrt(schedule.covariance[layout.z, layout.z] - (alpha * sd[0]) ** 2)
        calcium_mean = schedule.mean[layout.z] + alpha * schedule.mean[0]
        calcium_0 = pm.Normal("start calcium", calcium_mean, calcium_sd)
        first = layout.first_water
        waters = pm.Normal("waters", schedule.mean[first:], sd[first:])
        more_magnesium = pm.Normal(
            "magnesium", schedule.mean[layout.magnesium], sd[layout.magnesium]
        )
        start_unlogged = pm.Normal("start unlogged", 0.0, 1.0)
        wander_unlogged = walk(
            "unlogged", pt.as_tensor(steps["drift_d"] / UNLOGGED_DAYS), steps["drift_d"] > 0
        )
        wander = walk(
            "uptake",
            drift**2 * steps["drift_d"] + steps["uptake_step"],
            (steps["drift_d"] > 0) | (steps["uptake_step"] > 0),
        )
        wander_x = walk(
            "effluent",
            x_drift**2 * steps["effluent_drift_d"] + steps["effluent_step"],
            (steps["effluent_drift_d"] > 0) | (steps["effluent_step"] > 0),
        )
        excess = shape.lit * (ratio - 1)
        light = excess / (1 + excess)
        half_flow = shape.load_meq_d / (saturated * load_share)
        strong = saturated * pt.exp(beta * steps["log_ph_ratio"])
        kappa = steps["flow_l_d"] / volume / (1 + steps["flow_l_d"] / half_flow)
        decay = kappa + eta * shape.uptake_scale
        start_x = pm.Normal("start effluent", 0.0, sd[layout.effluent])
        start_uptake = pm.Normal("start uptake", 0.0, sd[layout.uptake])
        strength = strong * (1 + start_x + before(wander_x))
        eaten = uptake * (1 + start_uptake + before(wander))
        unlogged_sd = (LEAST_UNLOGGED + supplied) * 0.5 * shape.uptake_scale
        unlogged = unlogged_sd * (start_unlogged + before(wander_unlogged))
        unit, pulse, dose = (series(moments[:, of], decay) for of in (UNIT, PULSE, DOSE))
        renewed = steps["change_l"] / volume
        water = 2 * steps["change_water"]
        fresh = waters[water]
        fresh_z = waters[water + 1] - alpha * fresh

        def follow(start, fading, change, new):  # type: ignore[no-untyped-def]
            running = pt.cumprod(fading * (1 - renewed))
            return running * (start + pt.cumsum((change + renewed * new) / running))

        alkalinity = follow(
            alkalinity_0,
            pt.exp(-decay * steps["span_d"]),
            -eaten * ((1 - light) * unit + light * pulse)
            + (kappa * strength + decay * middle) * unit
            + dose / volume,
            fresh,
        )
        whole = (1 - light) * steps["span_d"] + light * moments[:, PULSE, 0]
        z = follow(
            calcium_0 - alpha * alkalinity_0,
            1.0,
            (alpha - share) * eaten * whole
            + (steps["dose_calcium_mmol"] - alpha * moments[:, DOSE, 0]) / volume
            + unlogged * steps["span_d"]
            - 0.5 * more_magnesium * steps["dissolved_meq_l"],
            fresh_z,
        )
        at = schedule.reading_step
        kind = steps["kind"][at]
        level = alkalinity[at]
        reached = 1 / (1 + steps["shown_flow_l_d"][at] / half_flow)
        effluent = level + reached * (strong[at] * (1 + start_x + wander_x[at]) - (level - middle))
        shown = pt.switch(pt.eq(kind, TANK_ALKALINITY), level, 0.0)
        shown += pt.switch(pt.eq(kind, TANK_CALCIUM), z[at] + alpha * level, 0.0)
        shown += pt.switch(pt.eq(kind, EFFLUENT_ALKALINITY), effluent, 0.0)
        shown += pt.switch(pt.eq(kind, KNOWN_SOLUTION), steps["known"][at], 0.0)
        used = {TANK_ALKALINITY, TANK_CALCIUM, EFFLUENT_ALKALINITY, KNOWN_SOLUTION}
        assert set(kind.tolist()) <= used
        expected = gains[steps["bottle"][at]] * shown
        repeat = steps["scatter"][at] * repeats[steps["kit"][at]]
        error = pt.sqrt(repeat**2 + steps["rounding"][at])
        pm.NormalMixture(
            "readings",
            w=MISREAD_CHANCE,
            mu=expected[:, None],
            sigma=error[:, None] * MISREAD_SPREAD,
            observed=steps["value"][at],
        )
        pm.Deterministic("uptake at middle", uptake * (1 + start_uptake + wander[-1]))
        pm.Deterministic(
            "saturated increment now",
            strong[-1] * pt.clip(1 + start_x + wander_x[-1], 0.05, np.inf),
        )
        pm.Deterministic("half flow", half_flow)
    return model


class Clock:
    """Seconds from the start to the first draw told, and from then to the end."""

    def __init__(self) -> None:
        self.begun = time.perf_counter()
        self.first: float | None = None

    def tick(self, *_: object, **__: object) -> None:
        """A draw was made."""
        self.first = self.first or time.perf_counter()

    def split(self) -> tuple[float, float]:
        """(starting, drawing) seconds."""
        first = self.first or time.perf_counter()
        return first - self.begun, time.perf_counter() - first


def chains_of(posterior: Posterior) -> dict[str, np.ndarray]:
    """The compared quantities (chains, draws) of the fast fit."""
    law = posterior.law
    flat = {
        "uptake at middle": posterior.uptake_at_middle_meq_l_d,
        "water volume": posterior.volume_l,
        "calcium share": posterior.calcium_share,
        "saturated increment now": law.saturated_meq_l * law.strength,
        "half flow": law.half_flow_l_d,
        **{f"repeatability {k}": x for k, x in posterior.kit_repeatability.items()},
        **{f"calibration {k} {b}": x for (k, b), x in posterior.kit_calibration.items()},
    }
    flat["needed flow"] = needed(flat)
    return {name: x.reshape(posterior.chains, -1) for name, x in flat.items()}


def needed(by_name: Mapping[str, np.ndarray]) -> np.ndarray:
    """Log of the flow needed, a reactor that cannot carry its load at ten times its half flow."""
    volume, half_flow = by_name["water volume"], by_name["half flow"]
    law = SupplyLaw(volume, by_name["saturated increment now"], half_flow, 0.0)
    flow = law.flow_for(by_name["uptake at middle"] * volume)
    return np.log(np.minimum(flow, 10 * half_flow))


def run_fast(problem: Problem, seed: int, cores: int) -> tuple[dict, tuple]:
    """Draws by name and seconds of the estimator's own sampler and path draws."""
    clock = Clock()
    seeds = np.random.SeedSequence(seed)
    trace = sample(problem, seeds, draws=FIRST_DRAWS, cores=cores, progress=clock.tick)
    posterior = collect(problem, trace, np.random.SeedSequence(seed + 1))
    return chains_of(posterior), clock.split()


def run_plain(
    problem: Problem, seed: int, cores: int, tune: int, draws: int
) -> tuple[dict, tuple, int]:
    """Draws by name, seconds and divergences of PyMC's default sampler on the plain form."""
    clock = Clock()
    model = plain_model(problem)
    with model:
        trace = pm.sample(
            draws,
            tune=tune,
            chains=CHAINS,
            cores=cores,
            random_seed=seed,
            progressbar=False,
            compute_convergence_checks=False,
            return_inferencedata=False,
            callback=clock.tick,
        )
    seconds = clock.split()

    def get(name: str) -> np.ndarray:
        return np.array(trace.get_values(name, combine=False))

    table = problem.priors
    physical = {prior.name: get(prior.name) for prior in table.priors[:PHYSICAL]}
    by_name = {
        "uptake at middle": get("uptake at middle"),
        "water volume": physical["water_volume_l"],
        "calcium share": physical["calcium_share"],
        "saturated increment now": get("saturated increment now"),
        "half flow": get("half flow"),
        **{prior.name: get(prior.name) for prior in table.priors[PHYSICAL:]},
    }
    by_name["needed flow"] = needed(by_name)
    return by_name, seconds, int(np.sum(trace.get_sampler_stats("diverging")))


def summary(by_name: Mapping[str, np.ndarray]) -> dict[str, tuple[float, float, float]]:
    """(mean, Monte Carlo error of the mean, bulk ESS) by name."""
    names = list(by_name)
    draws = np.stack([by_name[name] for name in names], axis=-1)
    data = xr.Dataset({"x": (("chain", "draw", "quantity"), draws)})
    bulk = np.asarray(az.ess(data, method="bulk")["x"])
    for_mean = np.asarray(az.ess(data, method="mean")["x"])
    mean, sd = draws.mean(axis=(0, 1)), draws.std(axis=(0, 1))
    rows = zip(mean, sd / np.sqrt(for_mean), bulk, strict=True)
    return dict(zip(names, (tuple(map(float, row)) for row in rows), strict=True))


def main() -> None:
    """Fit both and print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=500, help="kept draws of the plain model")
    parser.add_argument("--tune", type=int, default=500, help="tuning draws of the plain model")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cores", type=int, default=min(os.cpu_count() or 1, CHAINS))
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    logging.getLogger("pymc").setLevel(logging.ERROR)
    problem = example(options.seed)
    schedule = problem.schedule
    print(f"Python {platform.python_version()}, PyMC {pm.__version__}, {options.cores} processes")
    print(f"{len(schedule.readings)} readings, {schedule.days} days, {len(schedule.steps)} steps")
    fast, fast_s = run_fast(problem, options.seed, options.cores)
    plain, plain_s, divergences = run_plain(
        problem, options.seed, options.cores, options.tune, options.draws
    )
    ours, theirs = summary(fast), summary(plain)
    print(f"\n{'quantity':22}{'fast':>10}{'plain':>10}{'z':>7}{'ESS fast':>10}{'ESS plain':>11}")
    worst = 0.0
    for name, (mean, error, bulk) in ours.items():
        other, other_error, other_bulk = theirs[name]
        z = (mean - other) / np.hypot(error, other_error)
        worst = max(worst, abs(z))
        print(f"{name:22}{mean:10.4g}{other:10.4g}{z:7.2f}{bulk:10.0f}{other_bulk:11.0f}")
    print(f"largest |z| {worst:.2f} (agreement: below 4)")
    print(f"\n{'':8}{'draws':>8}{'start s':>9}{'draw s':>9}{'smallest ESS':>14}{'ESS per s':>11}")
    rates = {}
    counts = {"fast": CHAINS * FIRST_DRAWS, "plain": CHAINS * options.draws}
    for name, rows, seconds in (("fast", ours, fast_s), ("plain", theirs, plain_s)):
        smallest = min(bulk for _, _, bulk in rows.values())
        rates[name] = smallest / sum(seconds)
        print(
            f"{name:8}{counts[name]:8d}{seconds[0]:9.1f}{seconds[1]:9.1f}"
            f"{smallest:14.0f}{rates[name]:11.2f}"
        )
    print(f"ratio of ESS per second, start included: {rates['fast'] / rates['plain']:.0f}")
    print(f"divergences of the plain form: {divergences}")


if __name__ == "__main__":
    main()
