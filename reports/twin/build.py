"""The JSON twin: every number of the report, in the keeper's units, from the same draws.

`build_twin` gives plain dicts, lists, strings and numbers. Floats carry six significant digits, so
that the file shows no digits that the draws cannot support and is the same on every machine.
"""

from __future__ import annotations

import json
import math
import platform
from dataclasses import asdict
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
from estimator.next_tests.worth import USEFUL_PCT
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
from reports.words.table import words

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
        "status_reasons": [words(reason, study.tank) for reason in advice.reasons],
        "notes": [words(note, study.tank) for note in advice.notes],
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


def _level_check(study: Study) -> Json:
    """When a reference solution was last tested, and what the level's range is worth without."""
    return asdict(study.level_check) | {"checked": study.level_check.checked}


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
        "action": study.today and study.today.in_the_end,
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
        {"unknown": swing.cause, "at_low": swing.at_low_ml_h, "at_high": swing.at_high_ml_h}
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
            "test": one.candidate.label,
            "key": one.candidate.key,
            "repeats": one.candidate.repeats,
            "width_now": one.width_now_ml_h,
            "expected_width": one.expected_width_ml_h,
            "expected_width_q05": one.width_spread_ml_h[0],
            "expected_width_q95": one.width_spread_ml_h[1],
            "narrowing_pct": 100 * one.narrowing,
            "narrowing_mc_error_pct": 100 * one.narrowing_error,
            "narrowing_pct_per_minute": 100 * one.narrowing_per_minute,
            "tied_with_previous": one.tied,
            "holding_gain": one.gain,
            "holding_gain_mc_error": one.gain_error,
            "minutes": one.candidate.minutes,
            "price": one.candidate.price,
            "days": one.candidate.days,
            "risk": one.candidate.risk,
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
        "useful_pct": USEFUL_PCT,
        "settled_until": planning.settled_until and planning.settled_until.isoformat(),
        "how_much": much
        and {
            "width_now": now,
            "width_by_tests": [now * width for width in much.width],
            "floor": now * much.floor,
            "floor_pct": 100 * much.floor,
            "floor_causes": dict(much.floor_causes),
            "holding_gain_by_tests": {str(n): gain for n, gain in much.gains.items()},
            "holding_gain_if_all_were_known": much.perfect_gain,
            "enough": much.enough,
            "most_weighed": max(much.gains),
            "holding_now": planning.ranked[0].holding if planning.ranked else None,
        },
        "plan": plan
        and {
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


def _today(study: Study) -> Json | None:
    """What the pump is set to now, see `Today`; None where withheld."""
    today = study.today
    return (
        None
        if today is None
        else {
            "set_to": today.set_to_ml_h,
            "action": today.action,
            "steps": today.steps,
            "dosing_changes": today.dosing_changes,
        }
    )


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


def _trust(study: Study) -> Json:
    """How far the model can be trusted on this log, with the reason: not how wide the range is."""
    trust = study.trust
    return {
        "level": trust.level,
        "reasons": [words(reason, study.tank) for reason in trust.reasons],
        "tank_alkalinity_tests": trust.alkalinity_tests,
        "readings_used": trust.readings_used,
        "odd_readings": trust.odd_readings,
        "odd_share_pct": 100 * trust.odd_share,
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
        "failures": [words(failure, study.tank) for failure in checks.failures],
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
