"""The one law of a reactor's supply: how alkalinity answers to the flow of effluent.

A stirred chamber held at one pH dissolves its medium in proportion to what is left to saturation,
F X = F0 (X_sat − X), so that its effluent stands above tank water of alkalinity A by

    A_e − A = [X_sat·s − (A − A_m)]·r(F/F0),   r(x) = 1/(1 + x),

with flow F (L/day), half flow F0 at which half of saturation is reached, X_sat the increment of
saturated effluent over water at the middle of the band A_m, and s the strength: 1, and what media,
gas and pump make of it since. Slow, the effluent is saturated and follows A by nothing; fast, the
supply F·X rises to its limit F0·X_sat. (Levenspiel, Chemical Reaction Engineering, first-order
reaction in a stirred tank.) A second chamber without gas, of the same F0, reaches r of what the
first's spare CO2 allows: of the part g = 0.15 + 0.23 r of what was left to saturation, so that
r₂ = r + g r (1 − r), within 0.02 of PyCO2SYS at chamber pH 6.3 to 6.7. In a well-mixed tank of
volume V

    dA/dt = κ(X_sat·s) − (κ + λ)(A − A_m) + net,   κ = (F/V) r,

where λ is the part of uptake that answers to the level, per day.

`fit.mass_balance` and `fit.forecast` hold compiled copies of it, tested against this one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from estimator.inputs.tank import Tank
from estimator.water.media import magnesium_share

LEAST_STRENGTH = 0.05
"""Part of its strength at the log's start that an effluent keeps at least, whatever its drift."""
LARGEST_FLOW_L_D = 1e9
"""Stands for "no flow is enough"."""
SECOND_CHAMBER = (0.15, 0.23)
"""g at r = 0, and its slope by r, see the module."""

Floats = np.ndarray | float


def media_calcium_share(tank: Tank) -> float:
    """α: mol of calcium dissolved per equivalent, magnesium taking the share expected of the media.

    CaCO3 gives ½ (2 equivalents per mole, Middelburg et al. 2020, Table 2, R11).
    """
    return 0.5 * (1.0 - magnesium_share(tank)[0])


def strength_after(change: Floats) -> np.ndarray:
    """The strength after a relative change, `LEAST_STRENGTH` at least."""
    return np.maximum(1.0 + np.asarray(change), LEAST_STRENGTH)


def reach(flow_over_half: Floats, chambers: int) -> np.ndarray:
    """r: part of saturation that effluent reaches at F/F0, with one chamber or two in a row."""
    first = np.asarray(1.0 / (1.0 + np.asarray(flow_over_half)))
    if chambers == 1:
        return first
    least, slope = SECOND_CHAMBER
    return np.asarray(first + (least + slope * first) * first * (1.0 - first))


_GRID = np.concatenate([[0.0], np.geomspace(1e-4, 1e4, 4000)])
_TWO_SUPPLY = _GRID * reach(_GRID, 2)
"""x·r(x) of two chambers, rising to 1.15: to find x in."""


class SupplyLaw(NamedTuple):
    """One reactor and tank: a value per draw (s,), or numbers for one tank; arrays broadcast.

    Attributes:
        volume_l: V.
        saturated_meq_l: X_sat, at the chamber's present pH.
        half_flow_l_d: F0.
        middle_meq_l: A_m.
        strength: s, see the module. However strong, effluent never passes saturation.
        level_response_per_d: λ, of the tank's uptake.
        chambers: one, or two in a row.
    """

    volume_l: Floats
    saturated_meq_l: Floats
    half_flow_l_d: Floats
    middle_meq_l: float
    strength: Floats = 1.0
    level_response_per_d: Floats = 0.0
    chambers: int = 1

    def reach(self, flow_l_d: Floats) -> np.ndarray:
        """r, part of saturation reached at a flow, before `strength`."""
        return reach(np.asarray(flow_l_d) / self.half_flow_l_d, self.chambers)

    def rates(self, flow_l_d: Floats) -> tuple[np.ndarray, np.ndarray]:
        """Inflow κ and decay κ + λ, per day."""
        kappa = flow_l_d / np.asarray(self.volume_l) * self.reach(flow_l_d)
        return kappa, kappa + self.level_response_per_d

    def strong_at(self, flow_l_d: Floats, strength: Floats | None = None) -> np.ndarray:
        """Saturated increment times strength, meq/L, the strength at most what saturates at a flow.

        Args:
            flow_l_d: of effluent.
            strength: default this law's.
        """
        wanted = self.strength if strength is None else strength
        return self.saturated_meq_l * np.minimum(wanted, 1.0 / self.reach(flow_l_d))

    def increment_at(self, flow_l_d: Floats, level_meq_l: Floats) -> np.ndarray:
        """Effluent alkalinity less the tank's, meq/L; the effluent saturated at most."""
        off_middle = level_meq_l - self.middle_meq_l
        strong = self.saturated_meq_l * np.asarray(self.strength)
        reached = (strong - off_middle) * self.reach(flow_l_d)
        return np.minimum(reached, self.saturated_meq_l - off_middle)

    def supply_meq_d(self, flow_l_d: Floats, level_meq_l: Floats) -> np.ndarray:
        """Alkalinity that the reactor adds at a tank level, meq/day."""
        return flow_l_d * self.increment_at(flow_l_d, level_meq_l)

    def flow_for(self, load_meq_d: Floats, level_meq_l: Floats | None = None) -> np.ndarray:
        """Flow that supplies a load at a tank level (default: the middle of the band), L/day.

        With one chamber F = y/(1 − y/F0), y = L/(X_sat s), and no less than L over the saturated
        increment. No load needs no flow; `LARGEST_FLOW_L_D` where the chamber's limit is less.
        """
        off = 0.0 if level_meq_l is None else level_meq_l - self.middle_meq_l
        load = np.clip(load_meq_d, 0.0, None)
        litres = load / np.clip(self.saturated_meq_l * np.asarray(self.strength) - off, 1e-9, None)
        part = np.asarray(litres / self.half_flow_l_d)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            if self.chambers == 1:
                ratio = np.where(part < 1.0, part / (1.0 - part), np.inf)
            else:
                ratio = np.interp(part, _TWO_SUPPLY, _GRID, right=np.inf)
            flow = ratio * self.half_flow_l_d
            least = load / np.clip(np.asarray(self.saturated_meq_l) - off, 1e-9, None)
        return np.minimum(np.maximum(flow, least), LARGEST_FLOW_L_D)

    @property
    def limit_meq_d(self) -> np.ndarray:
        """The most that the chamber can give however fast water flows, meq/day; F0·X_sat·s where
        it is one."""
        litres = LARGEST_FLOW_L_D * self.reach(LARGEST_FLOW_L_D)
        return np.asarray(litres * self.saturated_meq_l * np.asarray(self.strength))

    def elasticity(self, flow_l_d: Floats) -> np.ndarray:
        """d log supply / d log flow: r with one chamber; 1 where a slow flow is saturated."""
        step = 1e-4
        up, down = np.asarray(flow_l_d) * np.exp(step), np.asarray(flow_l_d) * np.exp(-step)
        return 1.0 + np.log(self.reach(up) / self.reach(down)) / (2 * step)

    def advance(
        self,
        level_meq_l: Floats,
        flow_l_d: Floats,
        net_meq_l_d: Floats,
        strength: Floats | None = None,
        days: float = 1.0,
    ) -> np.ndarray:
        """Level after some days of steady settings, meq/L: exact, saturation as at the middle.

        Args:
            level_meq_l: at the start.
            flow_l_d: of effluent.
            net_meq_l_d: dosing less uptake at the middle of the band.
            strength: s meanwhile; default this law's.
            days: how many.
        """
        kappa, decay = self.rates(flow_l_d)
        fading = decay * days
        lasting = np.where(fading > 1e-9, -np.expm1(-fading) / np.maximum(decay, 1e-12), days)
        return level_meq_l * np.exp(-fading) + lasting * (
            kappa * self.strong_at(flow_l_d, strength) + decay * self.middle_meq_l + net_meq_l_d
        )

    def self_regulation_days(self, flow_l_d: Floats) -> np.ndarray:
        """1/(κ + λ): in this time a departure shrinks by 63 %."""
        return 1 / np.maximum(self.rates(flow_l_d)[1], 1e-9)

    def each(self, change: Callable[[np.ndarray], np.ndarray]) -> SupplyLaw:
        """The law with a change made to the draws of everything."""
        parts: dict[str, Any] = {
            name: change(value) if isinstance(value, np.ndarray) else value
            for name, value in self._asdict().items()
        }
        return SupplyLaw(**parts)

    def with_room(self, load_meq_d: Floats, room: float, assumed_meq_d: float) -> SupplyLaw:
        """The law of a reactor that carries a load (…, s), and so much room beyond it.

        Where nothing but what reactors are sold for tells of F0, it was placed by an assumed load;
        a draw whose load is larger has a larger chamber.

        Args:
            load_meq_d: of each draw.
            room: least limit over load.
            assumed_meq_d: limit, as a load, that F0 was placed by.
        """
        larger = np.maximum(room * np.asarray(load_meq_d) / assumed_meq_d, 1.0)
        return self._replace(half_flow_l_d=self.half_flow_l_d * larger)

    def median(self) -> SupplyLaw:
        """The law with everything at its median."""
        return self.each(lambda draws: np.asarray(np.median(draws)))
