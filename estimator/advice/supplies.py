"""How long media and CO2 last, and whether the media's magnesium keeps up.

What the logged flows have dissolved since the last refill, from the posterior's effluent strength,
against what was filled in; then how long the rest carries the whole load. Magnesium has a module of
its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from estimator import units
from estimator.advice.dissolved import Dissolved
from estimator.advice.flow import Recommendation
from estimator.advice.magnesium import Magnesium, magnesium_balance
from estimator.fit.fitting import Fit
from estimator.remark import Remark
from estimator.water.settings import actions_of, day_of

REFILL_MEDIA_AT = 0.5
"""Media is topped up when this part is left: less flow passes a low bed evenly (common practice,
no source)."""
MOST_DAYS = 3650.0
"""A supply that lasts longer counts as ten years."""


@dataclass(frozen=True)
class Stock:
    """What is left of one supply.

    Attributes:
        charge_g: filled in.
        since: when.
        logged: an entry says so; otherwise the charge is counted from the first flow.
        used_g, left_g: (s,).
        days_left: (s,) until it is all gone while the reactor carries the whole load; at most
            `MOST_DAYS`.
        refill_days: (s,) until it should be topped up.
    """

    charge_g: float
    since: datetime
    logged: bool
    used_g: np.ndarray
    left_g: np.ndarray
    days_left: np.ndarray
    refill_days: np.ndarray


@dataclass(frozen=True)
class Supplies:
    """Media, CO2 and magnesium.

    Attributes:
        media_g_d, co2_g_d: (s,) use at the needed flow.
        media, co2: None where neither tank file nor log states how much there was, or no flow
            is logged.
        magnesium: None where the tank's magnesium was never read.
        notes: what the figures rest on.
    """

    media_g_d: np.ndarray
    co2_g_d: np.ndarray
    media: Stock | None
    co2: Stock | None
    magnesium: Magnesium | None
    notes: tuple[Remark, ...]


def supplies(
    fitted: Fit,
    recommendation: Recommendation,
    co2_per_caco3: np.ndarray,
    share: np.ndarray,
    seed: np.random.SeedSequence,
) -> Supplies:
    """Media, CO2 and magnesium from the posterior.

    Args:
        fitted: draws (s,).
        recommendation: for the media dissolved a day.
        co2_per_caco3: (s,) mol of CO2 used per mol of CaCO3 dissolved.
        share: (s,) magnesium per mol of carbonate dissolved.
        seed: for the magnesium draws.
    """
    media_g_d = recommendation.media_g_d
    co2_g_g = co2_per_caco3 * units.CO2_G_MOL / units.CACO3_G_MOL
    reactor, media, co2 = fitted.tank.reactor, None, None
    if reactor is not None and np.isfinite(fitted.schedule.settings.first_run_d):
        media_g = None if reactor.media_kg is None else 1000 * reactor.media_kg
        media = _stock(fitted, "media_change", 1000.0, media_g, 1.0, media_g_d, REFILL_MEDIA_AT)
        co2_g_d = co2_g_g * media_g_d
        co2 = _stock(fitted, "co2_change", 1.0, reactor.co2_charge_g, co2_g_g, co2_g_d, 0.0)
    return Supplies(
        media_g_d=media_g_d,
        co2_g_d=co2_g_g * media_g_d,
        media=media,
        co2=co2,
        magnesium=magnesium_balance(fitted, share, seed),
        notes=tuple(
            Remark("supplies_counted_from_first_flow", {"entry": entry, "since": stock.since})
            for stock, entry in ((media, "media_change"), (co2, "co2_change"))
            if stock is not None and not stock.logged
        ),
    )


def _stock(
    fitted: Fit,
    entry: str,
    grams: float,
    stated_g: float | None,
    per_media_g: np.ndarray | float,
    per_day_g: np.ndarray,
    refill_at: float,
) -> Stock | None:
    """What is left since the last refill; None where nothing states how much that was.

    Args:
        fitted: draws (s,).
        entry: kind of log entry of a refill; its value counts as so many `grams`.
        grams: in the unit of such an entry.
        stated_g: charge by the tank file.
        per_media_g: (s,) used per g of media dissolved.
        per_day_g: (s,) used while the reactor carries the whole load.
        refill_at: part of the charge that is left when it should be topped up.
    """
    schedule, entries = fitted.schedule, actions_of(fitted.log, entry)
    charge_g = stated_g
    since = schedule.origin + timedelta(days=schedule.settings.first_run_d)
    if entries:
        since, value = entries[-1].time, entries[-1].value
        charge_g = stated_g if value is None else grams * value
    if charge_g is None:
        return None
    used_g = per_media_g * Dissolved(fitted).carbonate_g_since(day_of(since, schedule.origin))
    left_g = np.clip(charge_g - used_g, 0.0, None)

    def days_until(rest_g: float) -> np.ndarray:
        to_go = np.clip(left_g - rest_g, 0.0, None)
        return np.minimum(to_go / np.maximum(per_day_g, 1e-9), MOST_DAYS)

    return Stock(
        charge_g=charge_g,
        since=since,
        logged=bool(entries),
        used_g=np.minimum(used_g, charge_g),
        left_g=left_g,
        days_left=days_until(0.0),
        refill_days=days_until(refill_at * charge_g),
    )
