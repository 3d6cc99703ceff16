"""The reactor job in the JSON twin: hand-over, supplies, chamber, pH, outlook, what changed."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date, timedelta

import numpy as np

from estimator.advice.chamber import ChamberTrade, OddEffluent, SecondChamber, WorkingPoint
from estimator.advice.outlook import ElementOutlook, Outlook
from estimator.advice.supplies import DAYS_PER_MONTH, MOST_DAYS, Magnesium, Stock
from estimator.advice.tank_ph import LOW_PH, TankPh
from estimator.fit.watch import Change, Watch
from estimator.inputs.parameters import ALKALINITY, PARAMETERS
from estimator.next_tests.planning import USUAL_MINUTES
from estimator.plan.change_over import ChangeOver, ChangeStep, Steering
from estimator.plan.futures import last_kit
from estimator.study import Study
from reports.twin.quantities import (
    Draws,
    Json,
    alkalinity_unit,
    in_alkalinity_unit,
    in_magnesium_unit,
    iso,
    magnesium_unit,
    quantiles,
)
from reports.words.fit import CHANGES, TELLING_TESTS

MOST_READINGS = 8
STRIDES = (1, 2, 5, 10, 20, 50)
"""Kit steps between the readings for which the retest's sums are done."""


def reactor_job_parts(study: Study) -> Json:
    """Every key of the twin that comes from the reactor job; null or empty where there is none."""
    job = study.job
    return {
        "change_over": [_step(study, step) for step in job.change_over.steps] if job else [],
        "change_over_plan": _plan(study, job.change_over) if job else None,
        "supplies": _supplies(study),
        "magnesium": _magnesium(study, job.supplies.magnesium) if job else None,
        "chamber": _chamber(study, job.chamber, job.odd_effluents) if job else None,
        "tank_ph": _tank_ph(job.tank_ph) if job else None,
        "outlook": _outlook(job.outlook) if job else None,
        "watch": _watch(study, job.watch) if job else None,
    }


def _alkalinity(study: Study, meq_l: float) -> float:
    return meq_l / ALKALINITY.units[alkalinity_unit(study)]


def _step(study: Study, step: ChangeStep) -> Json:
    return {
        "date": step.set_on.isoformat(),
        "flow_ml_h": step.flow_ml_h,
        "dose_rates": dict(step.dose_ml_d),
        "retest_on": step.retest_on.isoformat(),
        "alkalinity": {
            "unit": alkalinity_unit(study),
            **quantiles(in_alkalinity_unit(study, step.alkalinity_meq_l)),
        },
        "takes": dict(step.takes_ml_d),
    }


def _plan(study: Study, plan: ChangeOver) -> Json:
    days, kit = plan.self_regulation_days, last_kit(study.posterior)
    return {
        "kind": plan.kind,
        "reason": plan.reason,
        "remedy": plan.remedy,
        "remedy_probability": plan.remedy_probability,
        "provisional": plan.provisional,
        "corrects": plan.corrects,
        "probability": plan.probability,
        "good_days_share": plan.good_days,
        "left_dosed_share": plan.left_dosed,
        "overnight_probability": plan.overnight_probability,
        "judged_days": plan.judged_days,
        "unit": alkalinity_unit(study),
        "rise_limit": _alkalinity(study, plan.rise_limit_meq_l_d),
        "rise_limit_stated": plan.rise_limit_stated,
        "step_days": plan.step_days,
        "retest_minutes_per_week": _retest_minutes(study, plan, kit),
        "steering": plan.steering and _steering(study, plan.steering, kit),
        "retest_hour": plan.retest_hour,
        "kit": kit,
        "self_regulation_days": None if days is None else quantiles(days),
        "levels": _levels(study, plan, plan.levels_meq_l),
        "overnight_levels": _levels(study, plan, plan.overnight_meq_l),
    }


def _retest_minutes(study: Study, plan: ChangeOver, kit: str | None) -> float | None:
    """What the retests take, minutes a week; None without a plan."""
    if plan.steering is None:
        return None
    each = study.tank.kits[kit].minutes if kit is not None else None
    return (USUAL_MINUTES if each is None else each) * 7 / plan.step_days


def _steering(study: Study, rule: Steering, kit: str | None) -> Json:
    """The rule of the retests with its sums done: for each reading, and each one before it."""
    step = study.tank.kits[kit].step if kit is not None else 0.0
    readings = readings_told(rule, step or ALKALINITY.assumed_step)
    by = rule.ml_per_meq
    # The solution that carries the alkalinity is the one to count in; the others go with it.
    solutions = study.tank.solutions
    carry = (name for name, ml in by.items() if solutions[name].alkalinity_meq_per_ml * ml > 0)
    main = next(carry, None)
    unit = by[main] if main is not None else rule.ml_h_per_meq_d

    return {
        "hold_above": _alkalinity(study, rule.above_meq_l),
        "hold_below": _alkalinity(study, rule.below_meq_l),
        "wanted": _alkalinity(study, rule.wanted_meq_l),
        "readings": [_alkalinity(study, reading) for reading in readings],
        "first_last_reading": _alkalinity(study, nearest(readings, rule.began_meq_l)),
        "of": main,
        "changes": [[unit * rule.change_meq_d(last, now) for last in readings] for now in readings],
        "others_ml_per_ml": {
            name: ml / unit for name, ml in by.items() if main is not None and name != main
        },
        "pump_ml_h_per_ml_d": rule.ml_h_per_meq_d / unit,
        "extra_ml_h": rule.extra_ml_h,
        "extra_takes": rule.dose_ml_d(rule.extra_meq_d),
        "extra_from": rule.dose_ml_d(0.5 * rule.extra_meq_d),
        "lowest_ml_h": rule.lowest_ml_h,
        "highest_ml_h": rule.highest_ml_h,
        "whole_load": rule.dose_ml_d(rule.whole_load_meq_d),
        "most": rule.dose_ml_d(rule.most_meq_d),
    }


def readings_told(rule: Steering, step_meq_l: float) -> np.ndarray:
    """Readings for which the sums are done, meq/L: kit steps, from the lowest that counts in full.

    With a fine kit every second, fifth or tenth step and so on: about six are enough.
    """
    low, high = (rule.wanted_meq_l + side * rule.counts_meq_l for side in (-1, 1))
    enough = (high - low) / (MOST_READINGS - 2)
    stride = step_meq_l * next(
        (by for by in STRIDES if by * step_meq_l >= enough - 1e-9), STRIDES[-1]
    )
    return stride * np.arange(np.floor(low / stride + 1e-9), np.ceil(high / stride - 1e-9) + 1)


def nearest(readings: np.ndarray, reading: float) -> float:
    """Of the readings told, the one to count a reading as."""
    return float(readings[np.argmin(np.abs(readings - reading))])


def _levels(study: Study, plan: ChangeOver, levels_meq_l: Draws | None) -> list[Json]:
    """Level at the end of each day (days, s), that is, as the next date begins."""
    if levels_meq_l is None:
        return []
    return [
        {"date": day.isoformat(), **quantiles(in_alkalinity_unit(study, level))}
        for day, level in zip(level_days(plan), levels_meq_l, strict=True)
    ]


def level_days(plan: ChangeOver) -> list[date]:
    """Date of each predicted level of a plan with steps: a retest reads that of its date."""
    first = plan.steps[0].set_on
    return [first + timedelta(days=day + 1) for day in range(plan.judged_days)]


def _supplies(study: Study) -> Json:
    job = study.job
    media, co2 = (job.supplies.media, job.supplies.co2) if job else (None, None)
    return {
        "media_g_per_day": quantiles(study.recommendation.media_g_d),
        "co2_g_per_day": quantiles(job.supplies.co2_g_d if job else study.recommendation.co2_g_d),
        "media_days_left": media and quantiles(media.days_left),
        "co2_days_left": co2 and quantiles(co2.days_left),
        "media": media and _stock(study, media),
        "co2": co2 and _stock(study, co2),
        "notes": list(job.supplies.notes) if job else [],
    }


def _stock(study: Study, stock: Stock) -> Json:
    """What is left; a date of `refill_on` is null where it is ten years off or more."""
    days = quantiles(stock.refill_days)

    def on(key: str) -> str | None:
        if days[key] >= MOST_DAYS:
            return None
        return (study.log.end + timedelta(days=days[key])).date().isoformat()

    return {
        "charge_g": stock.charge_g,
        "since": iso(stock.since),
        "logged": stock.logged,
        "left_g": quantiles(stock.left_g),
        "left_share": float(np.median(stock.left_g)) / max(stock.charge_g, 1e-9),
        "refill_days": days,
        "refill_on": {"earliest": on("q05"), "middle": on("q50"), "latest": on("q95")},
    }


def _magnesium(study: Study, found: Magnesium | None) -> Json | None:
    if found is None:
        return None
    month = DAYS_PER_MONTH * in_magnesium_unit(study, found.trend_mmol_l_d)
    return {
        "unit": magnesium_unit(study),
        "readings": found.readings,
        "now": quantiles(in_magnesium_unit(study, found.now_mmol_l)),
        "share_pct": quantiles(100 * np.clip(found.share, 0.0, None)),
        "needed_share_pct": quantiles(100 * np.clip(found.needed_share, 0.0, None)),
        "change_per_month": quantiles(month),
        "keeps_up_probability": found.keeps_up,
    }


def _chamber(study: Study, trade: ChamberTrade, odd: tuple[OddEffluent, ...]) -> Json:
    region = trade.region
    least = None
    if region is not None:
        inside = (trade.ph_axis >= region.low - 1e-9) & (trade.ph_axis <= region.high + 1e-9)
        least = float(np.min(trade.co2_g_d[inside]))
    return {
        "present_ph": trade.present_ph,
        "ph_known": trade.ph_known,
        "from_priors": trade.from_priors,
        "region": region and asdict(region),
        "least_co2_g_per_day": least,
        "reasons": list(trade.reasons),
        "odd_effluents": [_odd_effluent(one) for one in odd],
        "points": [_point(study, point) for point in trade.points],
        "second": trade.second and _second(study, trade.second),
        "ph_axis": trade.ph_axis.tolist(),
        "flow_axis_ml_h": trade.flow_axis_ml_h.tolist(),
        "supply_over_need": trade.supply_over_need.tolist(),
        "holding_probability": trade.holding.tolist(),
        "inside_probability": trade.inside_chance.tolist(),
        "co2_g_per_day": trade.co2_g_d.tolist(),
    }


def _odd_effluent(one: OddEffluent) -> Json:
    reading = one.reading
    return {
        "row": reading.row,
        "time": iso(reading.time),
        "value": PARAMETERS[reading.parameter].from_canonical(reading.value, reading.unit),
        "unit": reading.unit,
        "remark": one.check.remark,
    }


def _point(study: Study, point: WorkingPoint) -> Json:
    effluent = point.effluent_meq_l
    return {
        "chamber_ph": point.chamber_ph,
        "is_present": point.is_present,
        "needed_ml_h": point.needed_ml_h and asdict(point.needed_ml_h),
        "effluent_alkalinity": effluent
        and {name: _alkalinity(study, meq_l) for name, meq_l in asdict(effluent).items()},
        "effluent_ph": point.effluent_ph and asdict(point.effluent_ph),
        "co2_g_per_day": point.co2_g_d and asdict(point.co2_g_d),
        "free_co2_mmol_l": point.free_co2_mmol_l and asdict(point.free_co2_mmol_l),
        "free_co2_g_per_day": point.free_co2_g_d and asdict(point.free_co2_g_d),
        "pump_share": point.pump_share,
        "inside_probability": point.inside_chance,
        "cautions": list(point.cautions),
    }


def _second(study: Study, second: SecondChamber) -> Json:
    """Each pair is [without, with] the second chamber."""
    return {
        "chamber_ph": second.chamber_ph,
        "effluent_alkalinity": [_alkalinity(study, x) for x in second.effluent_meq_l],
        "effluent_ph": list(second.effluent_ph),
        "free_co2_mmol_l": list(second.free_co2_mmol_l),
        "co2_per_caco3": list(second.co2_per_caco3),
        "co2_saved_share": 1 - second.co2_per_caco3[1] / second.co2_per_caco3[0],
    }


def _tank_ph(found: TankPh) -> Json:
    ranges = ("day", "night", "day_without", "night_without", "reactor_drop", "swing")
    return {
        "low_ph": LOW_PH,
        **{name: asdict(getattr(found, name)) for name in ranges},
        "low_probability": found.low_chance,
        "low_probability_without": found.low_chance_without,
        "exchange_per_h": asdict(found.exchange_per_h),
        "exchange_learned": found.exchange_learned,
        "room_co2_ppm": asdict(found.room_co2_ppm),
        "room_co2_stated": found.room_co2_stated,
        "chamber_ph": found.chamber_ph,
        "readings": found.readings,
        "measures": [asdict(measure) for measure in found.measures],
        "notes": list(found.notes),
    }


def _outlook(found: Outlook) -> Json:
    routine = found.routine
    return {
        "alone": found.alone,
        "answer": found.answer,
        "routine": routine
        and {
            "of": routine.of,
            "litres": routine.litres,
            "interval_days": routine.interval_d,
            "next_days": routine.next_d,
        },
        "calcium": _element(found.calcium),
        "magnesium": found.magnesium and _element(found.magnesium),
    }


def _element(one: ElementOutlook) -> Json:
    """One element in the unit of its band; months are keys "1", "3", "6"."""
    unit = one.band.unit
    scale = PARAMETERS[one.parameter].units[unit]
    by_week = one.out_by_week
    return {
        "unit": unit,
        "band": {"low": one.band.low / scale, "high": one.band.high / scale},
        "band_stated": one.band_stated,
        "tested": one.tested,
        "now": None if one.now is None else quantiles(one.now / scale),
        "change": {str(month): quantiles(draws / scale) for month, draws in one.change.items()},
        "out_now_probability": None if by_week is None else float(by_week[0]),
        "out_by_probability": one.out_by
        and {str(month): chance for month, chance in one.out_by.items()},
        "test_weeks": one.test_weeks,
        "enough": one.enough,
        "answer": one.answer,
    }


def _watch(study: Study, found: Watch) -> Json:
    likeliest = found.likeliest
    return {
        "days": [day.isoformat() for day in found.days],
        "window_days": len(found.days),
        "can_tell": found.can_tell,
        "quiet": found.quiet,
        "nothing_probability": found.nothing,
        "nothing_prior_probability": found.nothing_prior,
        "likeliest": None if likeliest is None else found.changes.index(likeliest),
        "changes": [_change(study, found, change) for change in found.changes],
        "effective_draws": found.effective_draws,
    }


def _change(study: Study, found: Watch, change: Change) -> Json:
    """One change; `size` is how large it is if it happened, without its sign."""
    unit, scale = "%", 0.01
    if change.kind == "uptake":
        keepers = alkalinity_unit(study)
        unit, scale = f"{keepers}/day", ALKALINITY.units[keepers]
    points = (abs(value) / scale for value in change.size)
    size = {"unit": unit, **dict(zip(("q05", "q50", "q95"), points, strict=True))}
    return {
        "kind": change.kind,
        "of": change.of,
        "direction": change.direction,
        "prior_probability": change.prior,
        "probability": change.chance,
        "size": size,
        "most_likely_on": found.days[int(np.argmax(change.by_day))].isoformat(),
        "by_day_probability": change.by_day.tolist(),
        "cause": CHANGES[change.kind, change.direction].cause,
        "test": TELLING_TESTS[change.kind],
    }
