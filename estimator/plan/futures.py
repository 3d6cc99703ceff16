"""How alkalinity answers to pump and dosing, and futures drawn from the posterior."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.posterior import Posterior
from estimator.fit.sampling import thinned
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.tank import Tank
from estimator.water import chamber_table

DRAWS = 400
LAW_DOUBT = 0.5
"""Share of the futures of a reactor that has run in which the effluent answers to the flow as it
did at the last change (any way, where none was tested), not by the one power that the fit knows: a
chamber near saturation answers otherwise than one far from it (no source)."""
MOST_EXPONENT = 0.95
"""At 1 the supply would not depend on the flow at all."""


class Response(NamedTuple):
    """How alkalinity answers to the settings: one value per draw (s,), or one for the middle tank.

    Attributes:
        volume_l, exponent: as in `Posterior`.
        gain_meq_l: of the effluent over tank water, at the flow `reference_l_d` and a tank level of
            `middle_meq_l`.
        uptake_meq_l_d: at the log's end.
        strongest: largest factor on the gain that a slow flow can bring: the water leaves the
            chamber saturated at the latest.
    """

    volume_l: np.ndarray
    exponent: np.ndarray
    reference_l_d: float
    gain_meq_l: np.ndarray
    uptake_meq_l_d: np.ndarray
    middle_meq_l: float
    strongest: np.ndarray

    def respond(self, flow_l_d: np.ndarray | float) -> np.ndarray:
        """Factor (F/F_ref)^(−ε) on the gain, `strongest` at most."""
        running = np.maximum(flow_l_d, 1e-9)
        return np.minimum((running / self.reference_l_d) ** -self.exponent, self.strongest)

    def rates(self, flow_l_d: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Inflow κ = (F/V)(F/F_ref)^(−ε) and decay κ(1 − ε), per day."""
        kappa = flow_l_d / self.volume_l * self.respond(flow_l_d)
        return kappa, kappa * (1 - self.exponent)

    def reactor_meq_d(self, flow_l_d: np.ndarray, level_meq_l: np.ndarray) -> np.ndarray:
        """Alkalinity that the reactor adds at a level."""
        kappa, decay = self.rates(flow_l_d)
        gain = kappa * self.gain_meq_l - decay * (level_meq_l - self.middle_meq_l)
        return gain * self.volume_l


def advance(
    level: np.ndarray,
    kappa: np.ndarray,
    decay: np.ndarray,
    gain: np.ndarray,
    middle: float,
    net: np.ndarray,
    days: float = 1.0,
) -> np.ndarray:
    """Level after some days of steady settings, meq/L: exact.

    dA/dt = κX − κ(1 − ε)(A − A_m) + net, the stirred tank of `mass_balance` (Levenspiel, Chemical
    Reaction Engineering); at ε = 0: A_∞ = A_e − UV/F, A = A_∞ + (A_0 − A_∞)e^(−Ft/V).

    Args:
        level: at the start.
        kappa, decay: see `Response.rates`.
        gain: X, of the effluent over the level A_m, meq/L.
        middle: A_m.
        net: dosing less uptake, meq/L/day.
        days: how many.
    """
    fading = decay * days
    lasting = np.where(fading > 1e-9, -np.expm1(-fading) / np.maximum(decay, 1e-12), days)
    return level * np.exp(-fading) + lasting * (kappa * gain + decay * middle + net)


class Futures(NamedTuple):
    """What may come: draws (s,) of the tank, and (days, s) of what drifts or is read.

    Attributes:
        response: see `Response`.
        start_meq_l: (s,) level at the start.
        uptake_meq_l_d, gain_meq_l: (days, s).
        kit_gain: (s,) reading over level.
        error_meq_l: (days + 1, s) of a reading.
        kit_step: smallest step of the kit, meq/L.
    """

    response: Response
    start_meq_l: np.ndarray
    uptake_meq_l_d: np.ndarray
    gain_meq_l: np.ndarray
    kit_gain: np.ndarray
    error_meq_l: np.ndarray
    kit_step: float

    def read(self, day: int, level: np.ndarray) -> np.ndarray:
        """What the kit shows on a day."""
        shown = self.kit_gain * level + self.error_meq_l[day]
        return np.round(shown / self.kit_step) * self.kit_step


def response_of(posterior: Posterior, tank: Tank, final_l_d: float) -> Response:
    """How the tank answers now, draws (s,).

    A reactor that never ran gets its prior strength at the final flow; at a slower one it is
    stronger by the exponent, up to saturation at 0.1 below the chamber's pH, as in `priors`.
    """
    stated = tank.reactor.chamber_ph if tank.reactor is not None else None
    ph = chamber_table.USUAL_CHAMBER_PH if stated is None else stated
    ceiling = chamber_table.saturated_increment_meq_l(ph - 0.1)
    return Response(
        volume_l=posterior.volume_l,
        exponent=posterior.exponent,
        reference_l_d=posterior.reference_flow_l_d or max(final_l_d, 1e-9),
        gain_meq_l=posterior.effluent_gain_meq_l,
        uptake_meq_l_d=posterior.uptake_now_meq_l_d,
        middle_meq_l=posterior.middle_meq_l,
        strongest=np.maximum(ceiling / posterior.effluent_gain_meq_l, 1.0),
    )


def each(response: Response, change: Callable[[np.ndarray], np.ndarray]) -> Response:
    """The response with a change made to the draws of everything."""
    return Response(
        volume_l=change(response.volume_l),
        exponent=change(response.exponent),
        reference_l_d=response.reference_l_d,
        gain_meq_l=change(response.gain_meq_l),
        uptake_meq_l_d=change(response.uptake_meq_l_d),
        middle_meq_l=response.middle_meq_l,
        strongest=change(response.strongest),
    )


def middle_of(response: Response) -> Response:
    """The tank with everything at its median."""
    return each(response, lambda draws: np.asarray(np.median(draws)))


def futures_of(
    posterior: Posterior,
    tank: Tank,
    response: Response,
    waiting: tuple[int, float, float],
    answer: tuple[float, float] | None,
    days: int,
    rng: np.random.Generator,
) -> Futures:
    """Thinned draws and what may come of them.

    Args:
        posterior: draws.
        tank: for the kit.
        response: of all draws.
        waiting: days from the last entry to the start, under (flow L/day, dosing meq/day) as now.
        answer: see `answer_seen`.
        days: length from the start.
        rng: for drift and kit errors.
    """
    total = len(posterior.volume_l)
    at = thinned(total, DRAWS)
    wait, flow, dosed = waiting
    shape = (wait + days, len(at))
    drift = (posterior.uptake_scale * posterior.drift)[at]
    uptake = posterior.uptake_now_meq_l_d[at] + drift * np.cumsum(rng.standard_normal(shape), 0)
    strength = 1 + posterior.effluent_drift[at] * np.cumsum(rng.standard_normal(shape), 0)
    gain = posterior.effluent_gain_meq_l[at] * np.maximum(strength, 0.05)
    response = each(response, lambda draws: draws[at])
    if posterior.reference_flow_l_d is not None:
        seen_at = flow if flow > 0 else posterior.reference_flow_l_d
        response, factor = _doubted(response, seen_at, answer, rng)
        gain = gain * factor
    kappa, decay = response.rates(np.full(len(at), flow))
    level = posterior.alkalinity_now_meq_l[at]
    for day in range(wait):
        net = dosed / response.volume_l - uptake[day]
        level = advance(level, kappa, decay, gain[day], response.middle_meq_l, net)
    kit_gain, repeatability, step = kit_of(posterior, tank)
    spread = rng.choice(MISREAD_SPREAD, p=MISREAD_CHANCE, size=(days + 1, len(at)))
    error = spread * repeatability[at] * rng.standard_normal((days + 1, len(at)))
    return Futures(response, level, uptake[wait:], gain[wait:], kit_gain[at], error, step)


def _doubted(
    response: Response,
    flow_l_d: float,
    answer: tuple[float, float] | None,
    rng: np.random.Generator,
) -> tuple[Response, np.ndarray]:
    """The response seen from the present flow, with `LAW_DOUBT`, and the factor on gains to there.

    All draws keep what they supply at the present flow.
    """
    factor = response.respond(flow_l_d)
    doubted = rng.random(len(factor)) < LAW_DOUBT
    if answer is None:
        other = rng.uniform(0.0, MOST_EXPONENT, len(factor))
    else:
        other = answer[0] + answer[1] * rng.standard_normal(len(factor))
        other = np.clip(other, 0.0, MOST_EXPONENT)
    exponent = np.where(doubted, other, response.exponent)
    seen = response._replace(
        exponent=exponent,
        reference_l_d=flow_l_d,
        gain_meq_l=response.gain_meq_l * factor,
        strongest=np.maximum(response.strongest / factor, 1.0),
    )
    return seen, factor


def last_kit(posterior: Posterior) -> str | None:
    """The kit that read the tank's alkalinity last; None where none did."""
    used = [
        check.reading.kit
        for check in posterior.checks
        if (check.reading.sample, check.reading.parameter) == ("tank", ALKALINITY.name)
    ]
    return used[-1] if used else None


def kit_of(posterior: Posterior, tank: Tank) -> tuple[np.ndarray, np.ndarray, float]:
    """Gain (s,) and repeatability (s,) of `last_kit`, else the first declared, and its step."""
    ones = np.ones_like(posterior.volume_l)
    declared = (kit.name for kit in tank.kits.values() if kit.parameter == ALKALINITY.name)
    name = last_kit(posterior) or next(declared, "")
    bottles = [bottle for kit, bottle in posterior.kit_gain if kit == name]
    gain = posterior.kit_gain[name, max(bottles)] if bottles else ones
    kit = tank.kits.get(name)
    step = kit.step if kit is not None and kit.step > 0 else ALKALINITY.assumed_step
    stated = kit.repeatability if kit is not None else None
    usual = ALKALINITY.assumed_repeatability if stated is None else stated
    return gain, posterior.kit_repeatability.get(name, usual * ones), float(step or 1e-6)
