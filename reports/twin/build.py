"""The JSON twin: every number of the report, in the keeper's units, from the same draws.

`build_twin` gives plain dicts, lists, strings and numbers, written by the rule of `serialise`; the
tables here, in `tank` and in `reactor` say what that rule does not know. Floats carry six
significant digits, so that the file shows no digits that the draws cannot support and is the same
on every machine.
"""

from __future__ import annotations

import json

import numpy as np

from estimator.advice.alarms import Alarm
from estimator.advice.flow import FlowAdvice, Recommendation, Setting, is_planned
from estimator.advice.supplies import Supplies
from estimator.advice.trust import LevelCheck, Trust
from estimator.inputs.parameters import ALKALINITY, CALCIUM, SALINITY
from estimator.next_tests.candidates import Candidate
from estimator.next_tests.enough import HowMuch
from estimator.next_tests.planning import USEFUL, Planning, Swing
from estimator.next_tests.ranking import Ranked
from estimator.next_tests.timetable import Learning
from estimator.study import ReactorJob, Study
from reports.twin.former import Former
from reports.twin.plan import PLAN_TABLE
from reports.twin.quantities import SCHEMA_VERSION, Json, quantiles
from reports.twin.reactor import REACTOR_TABLE
from reports.twin.serialise import Computed, Naming, Writer, always
from reports.twin.since import since_last
from reports.twin.tank import TANK_TABLE, flagged, priors, readings
from reports.twin.versions import versions
from reports.words.advice import CANDIDATE_WORDS
from reports.words.alarms import what_of
from reports.words.table import words

DOTS = 20
"""Of the quantile dotplot: 18 of 20 lie within the central 90 %."""


def build_twin(study: Study, *, timings: bool = False, former: Former | None = None) -> Json:
    """The whole twin.

    Args:
        study: the analysis.
        timings: put the seconds of each stage in; they differ from run to run.
        former: an earlier report of this tank, to be looked back on.
    """
    twin = Writer(study, TABLE, words, timings).object(study)
    return twin | {"since_last": since_last(former, twin)}


def to_json(twin: Json) -> str:
    """The twin as text: sorted keys, no NaN, a final newline."""
    return json.dumps(twin, sort_keys=True, allow_nan=False, indent=1) + "\n"


def _unless_hidden(name: str) -> Computed:
    """A field; null where the figures of alkalinity are withheld."""
    return lambda thing, writer: None if writer.hides(ALKALINITY) else getattr(thing, name)


def _dots(flow: FlowAdvice, writer: Writer) -> Json:
    setting = flow.setting
    if writer.hides(ALKALINITY):
        return {"needed_dots": [], "needed_dots_in_range": None}
    dots = np.quantile(flow.needed_ml_h, (np.arange(DOTS) + 0.5) / DOTS)
    inside = setting and np.sum((dots >= setting.low_ml_h) & (dots <= setting.high_ml_h))
    return {"needed_dots": dots.tolist(), "needed_dots_in_range": inside}


def _dosing(advice: Recommendation, writer: Writer) -> Json:
    solutions = writer.study.tank.solutions
    return {
        name: {
            "unit": "mL/day",
            "carries": "alkalinity" if solutions[name].alkalinity_meq_per_ml > 0 else "calcium",
            "needed": draws,
        }
        for name, draws in advice.dose_ml_d.items()
        if not writer.hides(ALKALINITY)
    }


def _widths(much: HowMuch, writer: Writer) -> Json:
    """Of the 9-in-10 range of the needed flow, mL/h."""
    needed = writer.study.recommendation.flow.needed_ml_h
    now = float(np.subtract(*np.quantile(needed, [0.95, 0.05])))
    by_tests = [now * width for width in much.width]
    return {"width_now": now, "width_by_tests": by_tests, "floor": now * much.floor}


def _gain(ranked: Ranked, writer: Writer, figure: str) -> float | None:
    """What the candidate adds to the plan, days in a hundred; None where that is not weighed."""
    of = ranked.candidate
    found = (g for g in writer.study.plan.gains if (g.key, g.repeats) == (of.key, of.repeats))
    gain = next(found, None)
    return None if gain is None else 100 * float(getattr(gain, figure))


def _how_much(planning: Planning, writer: Writer) -> Json | None:
    holding = planning.ranked[0].holding if planning.ranked else None
    found: Json | None = writer.write(planning.how_much)
    return found and found | {"holding_now": holding, "verdict": planning.verdict}


def _supplies(study: Study, writer: Writer) -> Supplies | Json:
    """Without a reactor job only what is used a day."""
    advice = study.recommendation
    if writer.hides(ALKALINITY):
        return writer.nulls(Supplies) | {"notes": ()}
    used = Supplies(advice.media_g_d, advice.co2_g_d, None, None, None, ())
    return study.job.supplies if study.job else used


def _alarm_size(alarm: Alarm, writer: Writer) -> Json | None:
    """With its unit, the keeper's."""
    if alarm.size is None:
        return None
    unit, scale = alarm.unit, 1.0
    amount, slash, per = unit.partition("/day")
    if unit == "share":
        unit, scale = "%", 0.01
    elif amount in ("meq/L", "mmol/L"):
        parameter = CALCIUM if amount == "mmol/L" else ALKALINITY
        keepers = writer.unit(parameter)
        unit, scale = f"{keepers}{slash}{per}", parameter.units[keepers]
    elif unit == SALINITY.default_unit:
        unit = writer.study.tank.salinity_unit
        scale = SALINITY.unit_size(unit)
    return {"unit": unit, **quantiles(alarm.size / scale)}


TABLE: dict[type, Naming] = {
    **TANK_TABLE,
    **REACTOR_TABLE,
    **PLAN_TABLE,
    Study: Naming(
        "log=inputs log.end=as_of *recommendation *posterior *job planning=testing "
        "-tank_sha256 -seconds -doubts withheld_figures",
        {
            "schema_version": always(SCHEMA_VERSION),
            "versions": lambda study, _: versions(),
            "readings": readings,
            "flagged": flagged,
            "priors": priors,
            "flow_hangs_on": lambda study, _: study.planning.swings if study.planning else (),
            "next_tests": lambda study, _: study.planning.ranked if study.planning else (),
            "job": lambda study, writer: study.job or writer.nulls(ReactorJob),
            "change_over": lambda study, _: study.plan.path,
            "supplies": _supplies,
        },
    ),
    Recommendation: Naming(
        "reasons=status_reasons -dose_ml_d -dosed_meq_d -media_g_d -co2_g_d", {"dosing": _dosing}
    ),
    FlowAdvice: Naming(
        "setting=recommended current_probability=current_in_band_probability "
        "current_as_kit_reads=current_in_band_as_kit_reads "
        "level_in_band=level_in_band_probability shares=variance_shares *dots",
        {
            "unit": always("mL/h"),
            "dots": _dots,
            **{
                name: _unless_hidden(name)
                for name in (
                    *("needed_ml_h", "current_probability", "current_as_kit_reads"),
                    *("level_in_band", "shares"),
                )
            },
            "planned": lambda flow, writer: is_planned(writer.study.posterior),
        },
        drop="_ml_h",
    ),
    Setting: Naming(drop="_ml_h"),
    Alarm: Naming(
        "what causes=says -unit",
        {
            "what": lambda alarm, _: what_of(alarm.code, alarm.causes.values),
            "size": _alarm_size,
        },
    ),
    Trust: Naming("alkalinity_tests=tank_alkalinity_tests odd_share=odd_share_pct"),
    LevelCheck: Naming("checked"),
    Swing: Naming(drop="_ml_h"),
    Ranked: Naming(
        "*candidate narrowing=narrowing_pct narrowing_error=narrowing_mc_error_pct "
        "narrowing_per_minute=narrowing_pct_per_minute tied=tied_with_previous -value -value_error "
        "effective=effective_draws -holding -width_range_ml_h",
        {
            "good_days_gain_pct": lambda one, writer: _gain(one, writer, "good_days"),
            "good_days_gain_mc_error_pct": lambda one, writer: _gain(one, writer, "error"),
            "expected_width_q05": lambda one, _: one.width_range_ml_h[0],
            "expected_width_q95": lambda one, _: one.width_range_ml_h[1],
        },
        drop="_ml_h",
    ),
    Candidate: Naming(
        "-readings -actions -volume_sd -risky",
        {
            "test": lambda one, _: CANDIDATE_WORDS[one.key].label,
            "risk": lambda one, _: CANDIDATE_WORDS[one.key].risk,
        },
    ),
    Planning: Naming(
        "-swings -ranked",
        {
            "useful_pct": always(round(100 * USEFUL)),
            "next": lambda planning, _: planning.next_test,
            "how_much": _how_much,
        },
    ),
    HowMuch: Naming(
        "*widths -width floor=floor_pct values=holding_gain_by_tests "
        "perfect_value=holding_gain_if_all_were_known",
        {"widths": _widths, "most_weighed": lambda much, _: max(much.values)},
    ),
    Learning: Naming("-tests width=width_pct width_error=width_mc_error_pct"),
}
"""By class: what the rule does not know."""
