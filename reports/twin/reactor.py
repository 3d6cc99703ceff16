"""The reactor job in the JSON twin: supplies, chamber, pH, outlook, what changed."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from estimator.advice.effluent_check import OddEffluent
from estimator.advice.magnesium import BELIEVED_SHARE, DAYS_PER_MONTH, Magnesium
from estimator.advice.outlook import ElementOutlook, Outlook, WaterRoutine
from estimator.advice.ph_and_flow import ChamberTrade, SecondChamber, WorkingPoint
from estimator.advice.supplies import MOST_DAYS, Stock, Supplies
from estimator.advice.tank_ph import LOW_PH, TankPh
from estimator.fit.watch import Change, Watch
from estimator.inputs.parameters import ALKALINITY, CALCIUM, MAGNESIUM, PARAMETERS
from estimator.study import ReactorJob
from reports.twin.quantities import Json, quantiles
from reports.twin.serialise import Naming, Writer, always
from reports.words.fit import CHANGES, TELLING_TESTS


def _refill_on(stock: Stock, writer: Writer) -> Json:
    """Dates; null where the supply lasts ten years or more."""
    days, end = quantiles(stock.refill_days), writer.study.log.end
    points = {"earliest": "q05", "middle": "q50", "latest": "q95"}
    return {
        name: (end + timedelta(days=days[q])).date() if days[q] < MOST_DAYS else None
        for name, q in points.items()
    }


def _least_co2(trade: ChamberTrade, _: Writer) -> float | None:
    """In the region to work in."""
    region = trade.region
    if region is None:
        return None
    inside = (trade.ph_axis >= region.low - 1e-9) & (trade.ph_axis <= region.high + 1e-9)
    return float(np.min(trade.co2_g_d[inside]))


def _in_unit_of_band(one: ElementOutlook, _: Writer) -> Json:
    unit = one.band.unit
    scale = PARAMETERS[one.parameter].units[unit]
    return {
        "unit": unit,
        "band": {"low": one.band.low / scale, "high": one.band.high / scale},
        "now": None if one.now is None else one.now / scale,
        "change": {month: draws / scale for month, draws in one.change.items()},
        "out_now_probability": None if one.out_by_week is None else one.out_by_week[0],
    }


def _size(change: Change, writer: Writer) -> Json:
    """How large the change is if it happened, without its sign."""
    unit, scale = "%", 0.01
    if change.kind in ("uptake", "additions", "one_addition"):
        parameter = CALCIUM if change.of == CALCIUM.name else ALKALINITY
        keepers = writer.unit(parameter)
        unit = keepers if change.kind == "one_addition" else f"{keepers}/day"
        scale = parameter.units[keepers]
    points = sorted(abs(value) / scale for value in change.size)
    return {"unit": unit, **dict(zip(("q05", "q50", "q95"), points, strict=True))}


REACTOR_TABLE = {
    ReactorJob: Naming(
        "supplies.magnesium=magnesium -supplies -odd_effluents",
        {
            "chamber": lambda job, writer: (
                writer.object(job.chamber) | {"odd_effluents": job.odd_effluents}
            )
        },
    ),
    Supplies: Naming("media.days_left=media_days_left co2.days_left=co2_days_left -magnesium"),
    Stock: Naming(
        "-used_g -days_left",
        {
            "left_share": lambda one, _: float(np.median(one.left_g)) / max(one.charge_g, 1e-9),
            "refill_on": _refill_on,
        },
    ),
    Magnesium: Naming(
        "share=share_pct needed_share=needed_share_pct keeps_up=keeps_up_probability "
        "-uptake_ratio -waters -trend_mmol_l_d -believed_trend_mmol_l_d",
        {
            "unit": lambda _, writer: writer.unit(MAGNESIUM),
            "share": lambda found, _: np.clip(found.share, 0.0, None),
            "needed_share": lambda found, _: np.clip(found.needed_share, 0.0, None),
            "change_per_month_mmol_l": lambda found, _: DAYS_PER_MONTH * found.trend_mmol_l_d,
            "believed_share": always(BELIEVED_SHARE),
            "believed_change_per_month_mmol_l": lambda found, _: (
                DAYS_PER_MONTH * found.believed_trend_mmol_l_d
            ),
        },
        of=MAGNESIUM,
    ),
    ChamberTrade: Naming("holding=holding_probability", {"least_co2_g_d": _least_co2}, series=True),
    OddEffluent: Naming(
        "*reading check.remark=remark -check",
        {
            "code": lambda one, _: one.check.remark and one.check.remark.code,
            "reading": lambda one, writer: {
                key: value
                for key, value in writer.object(one.reading).items()
                if key in ("row", "time", "value", "unit")
            },
        },
    ),
    WorkingPoint: Naming("effluent_meq_l=effluent_alkalinity"),
    SecondChamber: Naming(
        "effluent_meq_l=effluent_alkalinity",
        {"co2_saved_share": lambda one, _: 1 - one.co2_per_caco3[1] / one.co2_per_caco3[0]},
    ),
    TankPh: Naming(
        "low_chance_without=low_probability_without",
        {
            "low_ph": always(LOW_PH),
            "notes_codes": lambda found, _: [note.code for note in found.notes],
        },
    ),
    Outlook: Naming(
        computed={
            "calcium": lambda found, writer: None if writer.hides(CALCIUM) else found.calcium,
        },
    ),
    WaterRoutine: Naming(
        computed={
            "volume": lambda routine, writer: routine.litres / writer.study.tank.volume_unit_l,
            "unit": lambda _, writer: writer.study.tank.volume_unit,
        }
    ),
    ElementOutlook: Naming(
        "-parameter -band -now -change out_by=out_by_probability -out_by_week -leave_day *in_unit",
        {"in_unit": _in_unit_of_band},
    ),
    Watch: Naming(
        "quiet nothing=nothing_probability nothing_prior=nothing_prior_probability",
        {
            "window_days": lambda found, _: len(found.days),
            # The same: readers of older files look for it.
            "kit_window_days": lambda found, _: len(found.days),
            "likeliest": lambda found, _: found.likeliest and found.changes.index(found.likeliest),
            "changes": lambda found, writer: [
                writer.object(one) | {"most_likely_on": found.days[int(np.argmax(one.by_day))]}
                for one in found.changes
            ],
        },
    ),
    Change: Naming(
        "prior=prior_probability chance=probability by_day=by_day_probability",
        {
            "size": _size,
            "cause": lambda change, _: CHANGES[change.kind, change.direction].cause,
            "test": lambda change, _: TELLING_TESTS[change.kind],
        },
        series=True,
    ),
}
"""By class: what the rule does not know about the reactor job."""
