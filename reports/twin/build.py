"""The JSON twin: every number of the report, in the keeper's units, from the same draws.

`build_twin` gives plain dicts, lists, strings and numbers. Floats carry six significant digits, so
that the file shows no digits that the draws cannot support and is the same on every machine.
"""

from __future__ import annotations

import json
import math
import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from estimator import units
from estimator.advice.flow import is_planned
from estimator.fit.checks import DIVERGENCE_LIMIT, ESS_LIMIT, R_HAT_LIMIT
from estimator.fit.priors import IDENTITY, LOG, Prior, physical_priors
from estimator.fit.schedule import build_schedule
from estimator.inputs.dosing import Solution
from estimator.inputs.parameters import ALKALINITY, PARAMETERS
from estimator.inputs.records import Action, Reading
from estimator.next_tests.planning import USEFUL
from estimator.plan.change_over import dose_rates_now, settable_dose
from estimator.study import Study
from reports.twin.quantities import (
    Draws,
    Json,
    alkalinity_unit,
    calcium_unit,
    in_alkalinity_unit,
    in_calcium_unit,
    iso,
    quantiles,
)
from reports.twin.reactor import reactor_job_parts
from reports.words.advice import CANDIDATE_WORDS

SCHEMA_VERSION = 1
DOTS = 20
"""Of the quantile dotplot: 18 of 20 lie within the central 90 %."""
PACKAGES = ("reef-uptake", "arviz", "matplotlib", "numpy", "pymc", "pytensor", "scipy")
ACTION_UNITS = {
    "flow": "mL/h",
    "ph_setting": "NBS",
    "dose": "mL",
    "dose_rate": "mL/day",
    "water_change": "L",
    "media_change": "kg",
}


def build_twin(study: Study, *, timings: bool = False) -> Json:
    """The whole twin.

    Args:
        study: the analysis.
        timings: put the seconds of each stage in; they differ from run to run.
    """
    advice = study.recommendation
    twin = {
        "schema_version": SCHEMA_VERSION,
        "status": advice.status,
        "status_reasons": list(advice.reasons),
        "notes": list(advice.notes),
        "as_of": iso(study.log.end),
        "seed": study.seed,
        "versions": versions(),
        "tank": _tank(study),
        "uptake": _uptake(study),
        "calcium_per_alkalinity": quantiles(
            study.posterior.calcium_share * units.CA_G_MOL * units.MEQ_L_PER_DKH
        ),
        "level_now": _levels_now(study),
        "level_check": _level_check(study),
        "water_volume_l": quantiles(study.posterior.volume_l),
        "kits": _kits(study),
        "effluent": _effluent(study),
        "flow": _flow(study),
        "flow_hangs_on": _flow_hangs_on(study),
        "next_tests": _next_tests(study),
        "testing": _testing(study),
        "dosing": _dosing(study),
        **reactor_job_parts(study),
        "readings": _readings(study),
        "odd_readings": _odd_readings(study),
        "reading_checks": _reading_checks(study),
        "flagged": _flagged(study),
        "trust": _trust(study),
        "diagnostics": _diagnostics(study, timings),
        "priors": _priors(study),
        "inputs": _inputs(study),
    }
    return {key: _tidy(part) for key, part in twin.items()}


def to_json(twin: Json) -> str:
    """The twin as text: sorted keys, no NaN, a final newline."""
    return json.dumps(twin, sort_keys=True, allow_nan=False, indent=1) + "\n"


def versions() -> dict[str, str]:
    """Versions of this program and of what the numbers depend on."""
    found = {"python": platform.python_version()}
    for package in PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "not installed as a package"
    return found


def _tidy(value: Any) -> Any:
    """Six significant digits; numpy numbers become Python's; what is not finite becomes null."""
    if isinstance(value, dict):
        return {str(key): _tidy(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_tidy(item) for item in value]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value


def _tank(study: Study) -> Json:
    tank = study.tank
    targets = {
        name: {
            "unit": target.unit,
            "low": PARAMETERS[name].from_canonical(target.low, target.unit),
            "high": PARAMETERS[name].from_canonical(target.high, target.unit),
            "middle": PARAMETERS[name].from_canonical(target.middle, target.unit),
            "max_rise_per_day": None
            if target.max_rise_per_day is None
            else target.max_rise_per_day / PARAMETERS[name].units[target.unit],
        }
        for name, target in tank.targets.items()
    }
    pump = tank.reactor
    return {
        "name": tank.name,
        "stated_volume_l": tank.water_volume_l,
        "stated_volume_sd_pct": 100 * tank.water_volume_sd_fraction,
        "targets": targets,
        "pump": pump
        and {
            "unit": "mL/h",
            "min": pump.flow_min_ml_h,
            "max": pump.flow_max_ml_h,
            "step": pump.flow_step_ml_h,
        },
        "chamber_ph": pump and pump.chamber_ph,
    }


def _by_day(study: Study, draws: Draws) -> list[Json]:
    return [
        {"date": day.isoformat(), **quantiles(draws[:, j])}
        for j, day in enumerate(study.posterior.days)
    ]


def _uptake(study: Study) -> Json:
    post = study.posterior
    alkalinity = in_alkalinity_unit(study, post.uptake_meq_l_d)
    calcium = in_calcium_unit(study, post.calcium_uptake_mmol_l_d)
    nitrate = post.nitrate_loss_meq_l_d
    return {
        "alkalinity": {
            "unit": f"{alkalinity_unit(study)}/day",
            "now": quantiles(alkalinity[:, -1]),
            "by_day": _by_day(study, alkalinity),
            "net_change_only": post.net_change,
            "nitrate_part": None
            if nitrate is None
            else quantiles(in_alkalinity_unit(study, nitrate)),
        },
        "calcium": {
            "unit": f"{calcium_unit(study)}/day",
            "now": quantiles(calcium[:, -1]),
            "by_day": _by_day(study, calcium),
            "tested": post.calcium_mmol_l is not None,
        },
    }


HELD_IF_KIT_SHIFTED, HELD_IF_SATURATION = 0.68, 0.78
"""Shares of simulated logs whose 90 % range of alkalinity now held the truth: an alkalinity kit
shifted by 5 % unnoticed; uptake followed saturation (`tests/recovery/misspecification.json`)."""
CHECKED_DAYS = 60
"""A kit counts as checked so long after a reference solution (common practice, no source)."""


def _level_check(study: Study) -> Json:
    """When a reference solution was last tested, and what the level's range is worth without."""
    tests = [
        reading.time
        for reading in study.log.readings
        if (reading.sample, reading.parameter) == ("reference", ALKALINITY.name)
    ]
    days = (study.log.end - max(tests)).days if tests else None
    return {
        "reference_tested_days_ago": days,
        "checked": days is not None and days <= CHECKED_DAYS,
        "checked_days": CHECKED_DAYS,
        "held_if_kit_shifted": HELD_IF_KIT_SHIFTED,
        "held_if_uptake_follows_saturation": HELD_IF_SATURATION,
    }


def _levels_now(study: Study) -> Json:
    post = study.posterior
    calcium = post.calcium_now_mmol_l
    return {
        "alkalinity": {
            "unit": alkalinity_unit(study),
            **quantiles(in_alkalinity_unit(study, post.alkalinity_now_meq_l)),
        },
        "calcium": None
        if calcium is None
        else {"unit": calcium_unit(study), **quantiles(in_calcium_unit(study, calcium))},
    }


def _kits(study: Study) -> Json:
    """Each fitted kit: error of its latest bottle, and repeatability in the kit's unit."""
    post = study.posterior
    kits = {}
    for name, repeatability in post.kit_repeatability.items():
        kit = study.tank.kits[name]
        bottle = max(number for of, number in post.kit_gain if of == name)
        kits[name] = {
            "parameter": kit.parameter,
            "unit": kit.unit,
            "bottle": bottle + 1,
            "assumed": kit.assumed,
            "calibration_pct": quantiles(100 * (post.kit_gain[name, bottle] - 1)),
            "repeatability": quantiles(repeatability / PARAMETERS[kit.parameter].units[kit.unit]),
        }
    return kits


def _effluent(study: Study) -> Json:
    tested = any(
        check.reading.sample == "effluent" and check.reading.parameter == ALKALINITY.name
        for check in study.posterior.checks
    )
    draws = in_alkalinity_unit(study, study.posterior.effluent_meq_l)
    return {"alkalinity": {"unit": alkalinity_unit(study), "tested": tested, **quantiles(draws)}}


def _flow(study: Study) -> Json:
    flow = study.recommendation.flow
    setting = flow.setting
    dots = np.quantile(flow.needed_ml_h, (np.arange(DOTS) + 0.5) / DOTS)
    return {
        "unit": "mL/h",
        "planned": is_planned(study.posterior),
        "current": flow.current_ml_h,
        "needed": quantiles(flow.needed_ml_h),
        "needed_dots": [float(dot) for dot in dots],
        "needed_dots_in_range": setting
        and int(np.sum((dots >= setting.low_ml_h) & (dots <= setting.high_ml_h))),
        "recommended": setting
        and {
            "low": setting.low_ml_h,
            "high": setting.high_ml_h,
            "set_to": setting.set_to_ml_h,
        },
        "action": _action(study),
        "today": _today(study),
        "in_band_probability": flow.in_band_probability,
        "current_in_band_probability": flow.current_probability,
        "level_in_band_probability": flow.level_in_band,
        "horizon_days": flow.horizon_days,
        "variance_shares": dict(flow.shares),
    }


def _flow_hangs_on(study: Study) -> list[Json]:
    """Median of the needed flow, mL/h, at the lowest and highest tenth of each unknown."""
    if study.planning is None:
        return []
    return [
        {"unknown": swing.unknown, "at_low": swing.at_low_ml_h, "at_high": swing.at_high_ml_h}
        for swing in study.planning.swings
    ]


def _next_tests(study: Study) -> list[Json]:
    """Every test that could be run next, the one that narrows the flow range most first.

    Widths in mL/h of the 9-in-10 range of the needed flow; `narrowing_pct` may come out a little
    below 0 for a test that teaches nothing, by its Monte Carlo error.
    """
    if study.planning is None:
        return []
    return [
        {
            "test": CANDIDATE_WORDS[one.candidate.key].label,
            "key": one.candidate.key,
            "repeats": one.candidate.repeats,
            "width_now": one.width_now_ml_h,
            "expected_width": one.expected_width_ml_h,
            "expected_width_q05": one.width_range_ml_h[0],
            "expected_width_q95": one.width_range_ml_h[1],
            "narrowing_pct": 100 * one.narrowing,
            "narrowing_mc_error_pct": 100 * one.narrowing_error,
            "narrowing_pct_per_minute": 100 * one.narrowing_per_minute,
            "tied_with_previous": one.tied,
            "holding_gain": one.value,
            "holding_gain_mc_error": one.value_error,
            "minutes": one.candidate.minutes,
            "price": one.candidate.price,
            "days": one.candidate.days,
            "risk": CANDIDATE_WORDS[one.candidate.key].risk,
            "effective_draws": one.effective,
        }
        for one in study.planning.ranked
    ]


def _testing(study: Study) -> Json | None:
    """How much testing is enough, and a plan for the next two weeks."""
    planning = study.planning
    if planning is None:
        return None
    much, plan = planning.how_much, planning.plan
    now = float(np.subtract(*np.quantile(study.recommendation.flow.needed_ml_h, [0.95, 0.05])))
    return {
        "useful_pct": round(100 * USEFUL),
        "next": planning.next_test,
        "settled_until": planning.settled_until and planning.settled_until.isoformat(),
        "how_much": much
        and {
            "width_now": now,
            "width_by_tests": [now * width for width in much.width],
            "floor": now * much.floor,
            "floor_pct": 100 * much.floor,
            "floor_causes": dict(much.floor_causes),
            "holding_gain_by_tests": {str(n): value for n, value in much.values.items()},
            "holding_gain_if_all_were_known": much.perfect_value,
            "enough": much.enough,
            "verdict": planning.verdict,
            "most_weighed": max(much.values),
            "holding_now": planning.ranked[0].holding if planning.ranked else None,
        },
        "plan": plan
        and {
            "useful": planning.plan_useful,
            "minutes_per_week": plan.minutes_per_week,
            "width_pct": 100 * plan.width,
            "width_mc_error_pct": 100 * plan.width_error,
            "evenly_spaced_width_pct": 100 * plan.even_width,
            "tests": [
                {
                    "time": iso(test.time),
                    "entry": test.parameter,
                    "of": test.sample,
                    "kit": test.kit,
                    "repeats": test.repeats,
                    "minutes": test.minutes,
                }
                for test in plan.tests
            ],
        },
    }


def _action(study: Study) -> str | None:
    """What to do with the pump: "start", "leave", "raise" or "lower"; None where withheld.

    It may be left where it is within the range and does as well as the setting, or nearly so, to
    spare the tank a change. While alkalinity is dosed beside, "as well" cannot be said.
    """
    flow = study.recommendation.flow
    setting = flow.setting
    if setting is None:
        return None
    if not flow.current_ml_h:
        return "start"
    if flow.current_ml_h == setting.set_to_ml_h:
        return "leave"
    inside = setting.low_ml_h <= flow.current_ml_h <= setting.high_ml_h
    best, present = flow.in_band_probability, flow.current_probability
    as_good = best is not None and present is not None and present >= best - 0.05
    judged_in_band = flow.level_in_band >= 0.5 and study.recommendation.dosed_meq_d == 0
    if inside and as_good and judged_in_band:
        return "leave"
    return "raise" if setting.set_to_ml_h > flow.current_ml_h else "lower"


def _today(study: Study) -> Json | None:
    """What the pump is set to now: the setting, or the first step towards it; None where withheld.

    `action` is as in `_action`, or "off" for a first step that only doses. `dosing_changes` where
    the first step doses otherwise than the log's end.
    """
    flow = study.recommendation.flow
    if flow.setting is None:
        return None
    steps = study.job.change_over.steps if study.job else ()
    if not steps:
        return {
            "set_to": flow.setting.set_to_ml_h,
            "action": _action(study),
            "steps": 0,
            "dosing_changes": False,
        }
    rates = dose_rates_now(study.log, study.tank)
    given = {name: settable_dose(rate) for name, rate in rates.items() if settable_dose(rate)}
    dosed = {name: rate for name, rate in steps[0].dose_ml_d.items() if rate}
    now, first = flow.current_ml_h or 0.0, steps[0].flow_ml_h
    if first == now:
        action = "leave" if now else "off"
    elif not now:
        action = "start"
    else:
        action = "raise" if first > now else "lower"
    return {
        "set_to": first,
        "action": action,
        "steps": len(steps),
        "dosing_changes": dosed != given,
    }


def _dosing(study: Study) -> Json:
    return {
        name: {
            "unit": "mL/day",
            "carries": _carries(study.tank.solutions[name]),
            "needed": quantiles(draws),
        }
        for name, draws in study.recommendation.dose_ml_d.items()
    }


def _carries(solution: Solution) -> str:
    return "alkalinity" if solution.alkalinity_meq_per_ml > 0 else "calcium"


def _place(reading: Reading) -> str:
    """What was sampled: the name of a water or reference, or the place."""
    return reading.of or reading.sample


def _reading_entry(reading: Reading) -> Json:
    return {
        "row": reading.row,
        "time": iso(reading.time),
        "entry": reading.parameter,
        "of": _place(reading),
        "value": PARAMETERS[reading.parameter].from_canonical(reading.value, reading.unit),
        "unit": reading.unit,
    }


def _readings(study: Study) -> list[Json]:
    """Every reading; those the fit used with what was expected of the kit."""
    checks = {
        (check.reading.row, check.reading.parameter): check for check in study.posterior.checks
    }
    entries = []
    for reading in study.log.readings:
        check = checks.get((reading.row, reading.parameter))
        convert = PARAMETERS[reading.parameter].from_canonical
        entries.append(
            _reading_entry(reading)
            | {
                "kit": reading.kit,
                "note": reading.note,
                "used": check is not None,
                "expected": None if check is None else convert(check.expected, reading.unit),
                "off_by_kit_errors": None if check is None else check.residual,
                "chance_ordinary": None if check is None else check.chance_ordinary,
            }
        )
    return entries


def _odd_readings(study: Study) -> list[Json]:
    return [
        _reading_entry(check.reading) | {"chance_ordinary": check.chance_ordinary}
        for check in study.posterior.checks
        if check.is_odd
    ]


def _reading_checks(study: Study) -> Json:
    scatter = study.posterior.scatter
    return {
        "readings": scatter.readings,
        "in_50_pct": 100 * scatter.share_50,
        "in_50_least_pct": 100 * scatter.least_50,
        "in_90_pct": 100 * scatter.share_90,
        "in_90_least_pct": 100 * scatter.least_90,
        "runs": scatter.runs,
        "runs_least": max(math.ceil(scatter.runs_low), 1),
        "passes": scatter.passes,
    }


def _flagged(study: Study) -> list[Json]:
    records: list[Reading | Action] = [*study.log.readings, *study.log.actions]
    flagged = []
    for record in sorted(records, key=lambda record: (record.time, record.row)):
        if not record.flags:
            continue
        if isinstance(record, Reading):
            entry = _reading_entry(record)
        else:
            entry = {
                "row": record.row,
                "time": iso(record.time),
                "entry": record.kind,
                "of": record.of,
                "value": record.value,
                "unit": ACTION_UNITS.get(record.kind, ""),
            }
        flagged.append(entry | {"flags": list(record.flags)})
    return flagged


FEW_TESTS, ENOUGH_TESTS = 6, 15
MANY_ODD, SOME_ODD = 0.15, 0.05


def _trust(study: Study) -> Json:
    """How far the model can be trusted on this log, with the reason: not how wide the range is.

    The limits on tests and odd readings are common practice, no source.
    """
    post = study.posterior
    used = len(post.checks)
    tests = sum(
        check.reading.sample == "tank" and check.reading.parameter == ALKALINITY.name
        for check in post.checks
    )
    odd = sum(check.is_odd for check in post.checks)
    odd_share = odd / used if used else 0.0
    low, medium = [], []
    if post.diagnostics.failures:
        low.append("the fit did not pass its own checks")
    if tests < FEW_TESTS:
        low.append("there are very few alkalinity tests of the tank")
    elif tests < ENOUGH_TESTS:
        medium.append("there are few alkalinity tests of the tank")
    if odd_share > MANY_ODD:
        low.append("many readings do not fit")
    elif odd_share > SOME_ODD:
        medium.append("several readings do not fit")
    if not post.scatter.passes:
        medium.append("the readings do not scatter about the model as their kits should")
    if post.net_change:
        medium.append("no addition is in the log, so only the net change is seen")
    if not _effluent(study)["alkalinity"]["tested"]:
        medium.append("the effluent was not tested, so its strength comes from chemistry alone")
    if study.log.rows_without_time > study.log.rows / 2:
        medium.append("most entries have no time of day")
    level = "low" if low else "medium" if medium else "high"
    return {
        "level": level,
        "reasons": [*low, *medium]
        or ["the fit passed its checks, tests are many enough and nearly all of them fit"],
        "tank_alkalinity_tests": tests,
        "readings_used": used,
        "odd_readings": odd,
        "odd_share_pct": 100 * odd_share,
    }


def _diagnostics(study: Study, timings: bool) -> Json:
    checks = study.posterior.diagnostics
    return {
        "r_hat_max": checks.r_hat_max,
        "r_hat_limit": R_HAT_LIMIT,
        "ess_bulk_min": checks.ess_bulk_min,
        "ess_tail_min": checks.ess_tail_min,
        "ess_limit": ESS_LIMIT,
        "worst": checks.worst,
        "divergences": checks.divergences,
        "divergences_limit": int(DIVERGENCE_LIMIT * checks.chains * checks.draws),
        "chains": checks.chains,
        "draws": checks.draws,
        "failures": list(checks.failures),
        "seconds": dict(study.seconds) if timings else {},
    }


def _priors(study: Study) -> Json:
    """What the model takes for granted before any reading: median and 95 % range, canonical."""
    priors = physical_priors(build_schedule(study.log, study.tank), study.tank)
    return {
        prior.name: {
            "median": prior.median,
            "q025": _prior_point(prior, -1.96),
            "q975": _prior_point(prior, 1.96),
        }
        for prior in priors
    }


def _prior_point(prior: Prior, normal: float) -> float:
    place = prior.centre + prior.sd * normal
    if prior.scale == LOG:
        return math.exp(place)
    if prior.scale == IDENTITY:
        return place
    return prior.low + (prior.high - prior.low) / (1 + math.exp(-place))


def _inputs(study: Study) -> Json:
    log = study.log
    return {
        "log_name": log.name,
        "log_sha256": log.sha256,
        "tank_sha256": study.tank_sha256,
        "rows": log.rows,
        "readings": len(log.readings),
        "readings_used": len(study.posterior.checks),
        "readings_not_used": len(log.readings) - len(study.posterior.checks),
        "actions": len(log.actions),
        "rows_without_time": log.rows_without_time,
        "first_entry": iso(log.start),
        "last_entry": iso(log.end),
    }
