"""The one law of a reactor's supply: how alkalinity answers to the flow of effluent.

Effluent of flow F (L/day) stands above tank water of alkalinity A by the increment

    A_e − A = [X − (1 − ε)(A − A_m)]·(F/F_ref)^(−ε),   the power at most `strongest`,

X being the increment at the reference flow F_ref over water at the middle of the band, A_m. A
chamber with first-order approach to its equilibrium has ε = (F/V_c)/(κ_c + F/V_c): at ε = 0 the
effluent does not depend on A or F, at ε = 1 the supply does not depend on F. In a well-mixed tank
of volume V (Levenspiel, Chemical Reaction Engineering; at ε = 0: A_∞ = A_e − UV/F,
A = A_∞ + (A_0 − A_∞)e^(−Ft/V))

    dA/dt = κX − κ(1 − ε)(A − A_m) + net,   κ = (F/V)(F/F_ref)^(−ε).

`fit.mass_balance` and `fit.forecast` hold compiled copies of it, tested against this one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from estimator.inputs.tank import Tank

LEAST_STRENGTH = 0.05
"""Part of its strength at the log's start that an effluent keeps at least, whatever its drift."""
LEAST_REFERENCE = 0.05
"""Least flow at which a planned reactor is taken to run, as part of the middle draw's."""
LARGEST_FLOW_L_D = 1e9
"""Stands for "no flow is enough"."""

Floats = np.ndarray | float


def media_calcium_share(tank: Tank) -> float:
    """α: mol of calcium dissolved per equivalent; magnesium takes its share of the media's volume.

    CaCO3 gives ½ (2 equivalents per mole, Middelburg et al. 2020, Table 2, R11).
    """
    magnesium = tank.reactor.magnesium_media_fraction if tank.reactor else 0.0
    return 0.5 * (1.0 - magnesium)


def strength_after(change: Floats) -> np.ndarray:
    """Factor on the increment after a relative change of strength, `LEAST_STRENGTH` at least."""
    return np.maximum(1.0 + np.asarray(change), LEAST_STRENGTH)


class SupplyLaw(NamedTuple):
    """One reactor and tank: a value per draw (s,), or numbers for one tank; arrays broadcast.

    Attributes:
        volume_l: V.
        exponent: ε.
        reference_l_d: F_ref.
        increment_meq_l: X, at the flow F_ref and a tank level of A_m.
        middle_meq_l: A_m.
        strongest: largest factor on X that a slow flow can bring: the water leaves the chamber
            saturated at the latest; infinite where no ceiling is known.
    """

    volume_l: Floats
    exponent: Floats
    reference_l_d: Floats
    increment_meq_l: Floats
    middle_meq_l: float
    strongest: Floats = np.inf

    def respond(self, flow_l_d: Floats) -> np.ndarray:
        """Factor (F/F_ref)^(−ε) on the increment, `strongest` at most."""
        running = np.maximum(flow_l_d, 1e-9)
        return np.minimum(
            (running / self.reference_l_d) ** -np.asarray(self.exponent), self.strongest
        )

    def rates(self, flow_l_d: Floats) -> tuple[np.ndarray, np.ndarray]:
        """Inflow κ and decay κ(1 − ε), per day."""
        kappa = flow_l_d / self.volume_l * self.respond(flow_l_d)
        return kappa, kappa * (1 - np.asarray(self.exponent))

    def increment_at(self, flow_l_d: Floats, level_meq_l: Floats) -> np.ndarray:
        """Effluent alkalinity less the tank's, meq/L."""
        off_middle = (1 - np.asarray(self.exponent)) * (level_meq_l - self.middle_meq_l)
        return (self.increment_meq_l - off_middle) * self.respond(flow_l_d)

    def supply_meq_d(self, flow_l_d: Floats, level_meq_l: Floats) -> np.ndarray:
        """Alkalinity that the reactor adds at a tank level, meq/day."""
        kappa, decay = self.rates(flow_l_d)
        given = kappa * self.increment_meq_l - decay * (level_meq_l - self.middle_meq_l)
        return given * self.volume_l

    def flow_for(self, load_meq_d: Floats, level_meq_l: Floats | None = None) -> np.ndarray:
        """Flow that supplies a load at a tank level (default: the middle of the band), L/day.

        F = F_ref (L / (F_ref X))^(1/(1−ε)), and no less than L over the strongest increment. No
        load needs no flow; `LARGEST_FLOW_L_D` at most.
        """
        order = 1 - np.asarray(self.exponent)
        increment = self.increment_meq_l
        if level_meq_l is not None:
            increment = increment - order * (level_meq_l - self.middle_meq_l)
        litres = np.clip(load_meq_d, 0.0, None) / np.clip(increment, 1e-9, None)
        with np.errstate(over="ignore"):
            flow = self.reference_l_d * (litres / self.reference_l_d) ** (1.0 / order)
        return np.minimum(np.maximum(flow, litres / self.strongest), LARGEST_FLOW_L_D)

    @property
    def amplification(self) -> np.ndarray:
        """d log F / d log load of `flow_for`: 1/(1 − ε), and 1 for a reactor that never ran, whose
        reference flow is the one that its load needs (`law_of`)."""
        order = 1 - np.asarray(self.exponent)
        return np.ones_like(order) if np.ndim(self.reference_l_d) else 1 / order

    def advance(
        self,
        level_meq_l: Floats,
        rates: tuple[Floats, Floats],
        net_meq_l_d: Floats,
        increment_meq_l: Floats | None = None,
        days: float = 1.0,
    ) -> np.ndarray:
        """Level after some days of steady settings, meq/L: exact.

        Args:
            level_meq_l: at the start.
            rates: κ and κ(1 − ε), see `rates`.
            net_meq_l_d: dosing less uptake.
            increment_meq_l: X meanwhile; default this law's.
            days: how many.
        """
        increment = self.increment_meq_l if increment_meq_l is None else increment_meq_l
        kappa, decay = rates
        fading = decay * days
        lasting = np.where(fading > 1e-9, -np.expm1(-fading) / np.maximum(decay, 1e-12), days)
        return level_meq_l * np.exp(-fading) + lasting * (
            kappa * increment + decay * self.middle_meq_l + net_meq_l_d
        )

    def self_regulation_days(self, flow_l_d: Floats) -> np.ndarray:
        """V/(F(1 − ε)), the flow response included: in this time a departure shrinks by 63 %."""
        return 1 / np.maximum(self.rates(flow_l_d)[1], 1e-9)

    def each(self, change: Callable[[np.ndarray], np.ndarray]) -> SupplyLaw:
        """The law with a change made to the draws of everything."""
        parts: dict[str, Any] = {
            name: change(value) if isinstance(value, np.ndarray) else value
            for name, value in self._asdict().items()
        }
        return SupplyLaw(**parts)

    def median(self) -> SupplyLaw:
        """The law with everything at its median."""
        return self.each(lambda draws: np.asarray(np.median(draws)))


def law_of(
    volume_l: np.ndarray,
    exponent: np.ndarray,
    increment_meq_l: np.ndarray,
    reference_l_d: float | None,
    middle_meq_l: float,
    load_meq_d: np.ndarray,
    ceiling_meq_l: float,
) -> SupplyLaw:
    """The supply law of draws (…, s).

    A reactor that never ran has its increment at the flow that its load needs, draw by draw, since
    that is the flow it will run at; slower it is stronger, as any other.

    Args:
        volume_l, exponent: (s,).
        increment_meq_l, load_meq_d: (…, s).
        reference_l_d: flow at which the increment holds, None where none was ever run.
        middle_meq_l: middle of the band.
        ceiling_meq_l: largest increment that the chamber can give, unless it was seen to give more.
    """
    strongest = np.maximum(ceiling_meq_l / increment_meq_l, 1.0)
    reference: Floats
    if reference_l_d is None:
        needed = np.clip(load_meq_d, 0.0, None) / np.clip(increment_meq_l, 1e-9, None)
        # A tank that takes nothing up would have no flow to speak of.
        reference = np.maximum(needed, max(LEAST_REFERENCE * float(np.median(needed)), 1e-9))
    else:
        reference = reference_l_d
    return SupplyLaw(volume_l, exponent, reference, increment_meq_l, middle_meq_l, strongest)
