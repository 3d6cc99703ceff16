"""Tank, log and fit in the JSON twin: what was given, what the log shows, and the evidence."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from estimator import units
from estimator.fit.checks import (
    DIVERGENCE_LIMIT,
    ESS_LIMIT,
    R_HAT_LIMIT,
    Diagnostics,
    ReadingCheck,
    Scatter,
)
from estimator.fit.instruments import condense
from estimator.fit.posterior import Posterior
from estimator.fit.priors import IDENTITY, LOG, Prior
from estimator.inputs.actions import ACTIONS
from estimator.inputs.parameters import ALKALINITY, CALCIUM, PARAMETERS, Parameter
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Kit, Reactor, Tank, Target
from estimator.study import Study
from estimator.water.media import largest_share
from estimator.water.salinity import salinity_factors
from reports.twin.quantities import Draws, Json, by_date, quantiles, unit_of
from reports.twin.serialise import Naming, Writer, always


def _target(name: str, target: Target, writer: Writer) -> Json:
    """A band in the unit that the keeper gave it in; a rise knows no offset between units."""
    parameter, rise = PARAMETERS[name], target.max_rise_per_day
    band = writer.object(target, partial(parameter.from_canonical, unit=target.unit))
    return band | {"max_rise_per_day": rise and rise / parameter.units[target.unit]}


def _calcium_used(post: Posterior, writer: Writer) -> Json | None:
    """Calcium for each unit of alkalinity that is used, in the keeper's units of both."""
    if writer.hides(CALCIUM, ALKALINITY):
        return None
    calcium, alkalinity = writer.unit(CALCIUM), writer.unit(ALKALINITY)
    one = CALCIUM.units[calcium] / ALKALINITY.units[alkalinity]
    return {"unit": f"{calcium} per {alkalinity}", **quantiles(post.calcium_share / one)}


def _by_day(post: Posterior, parameter: Parameter, canonical: Draws, writer: Writer) -> Json:
    """A rate (s, days). That of calcium is reckoned from that of alkalinity."""
    draws = writer.in_unit(parameter, canonical)
    unit = f"{writer.unit(parameter)}/day"
    if writer.hides(parameter, ALKALINITY):
        return {"unit": unit, "now": None, "by_day": []}
    return {"unit": unit, "now": draws[:, -1], "by_day": by_date(post.days, draws.T)}


def _uptake(post: Posterior, writer: Writer) -> Json:
    return {
        "alkalinity": {
            **_by_day(post, ALKALINITY, post.uptake_meq_l_d, writer),
            "net_change_only": post.net_change,
            "nitrate_part": None
            if writer.hides(ALKALINITY)
            else writer.in_unit(ALKALINITY, post.nitrate_loss_meq_l_d),
        },
        "calcium": {
            **_by_day(post, CALCIUM, post.calcium_uptake_mmol_l_d, writer),
            "tested": post.calcium_mmol_l is not None,
        },
    }


def _levels_by_day(post: Posterior, writer: Writer) -> Json:
    """Daily mean levels; None for calcium where the tank was never tested for it, and for what is
    withheld."""
    found: Json = {}
    for parameter, draws in ((ALKALINITY, post.alkalinity_meq_l), (CALCIUM, post.calcium_mmol_l)):
        unit = unit_of(writer.study.tank, parameter)
        found[parameter.name] = (
            None
            if draws is None or writer.hides(parameter)
            else {"unit": unit, "by_day": by_date(post.days, draws.T / parameter.units[unit])}
        )
    return found


def _kits(post: Posterior, writer: Writer) -> Json:
    """Each fitted kit: error of its latest bottle, and repeatability in the kit's unit."""
    kits = {}
    for name, repeatability in post.kit_repeatability.items():
        kit = writer.study.tank.kits[name]
        if writer.hides(PARAMETERS[kit.parameter]):
            continue
        bottle = max(number for of, number in post.kit_calibration if of == name)
        kits[name] = writer.object(kit) | {
            "bottle": bottle + 1,
            "calibration_pct": 100 * (post.kit_calibration[name, bottle] - 1),
            "repeatability": repeatability / PARAMETERS[kit.parameter].units[kit.unit],
        }
    return kits


def _effluent(post: Posterior, writer: Writer) -> Json:
    """Null numbers where they are withheld, so that what was tested can still be told."""
    nothing = {"unit": writer.unit(ALKALINITY), **dict.fromkeys(quantiles(np.zeros(2)))}
    level = writer.level(ALKALINITY, post.effluent_meq_l) or nothing
    most, hidden = writer.in_unit(ALKALINITY, post.most_supply_meq_l_d), writer.hides(ALKALINITY)
    return {
        "alkalinity": level | {"tested": effluent_tested(post)},
        "saturated": writer.level(ALKALINITY, post.saturated_effluent_meq_l),
        "reached_pct": None if hidden else 100 * post.saturation_reached,
        "most_supply": (
            None if hidden else {"unit": f"{writer.unit(ALKALINITY)}/day", **quantiles(most)}
        ),
    }


def _level_response(post: Posterior, writer: Writer) -> Json | None:
    """How much more the tank uses, of what it used at the log's start, the higher its level; None
    where only the net change is seen."""
    if post.net_change or writer.hides(ALKALINITY):
        return None
    unit = writer.unit(ALKALINITY)
    more = 100 * post.level_response_l_meq * ALKALINITY.units[unit]
    return {"unit": f"%/{unit}", **quantiles(more)}


def effluent_tested(post: Posterior) -> bool:
    """Whether its alkalinity was, not only its pH."""
    return any(
        (check.reading.sample, check.reading.parameter) == ("effluent", ALKALINITY.name)
        for check in post.checks
    )


def readings(study: Study, writer: Writer) -> list[Json]:
    """Every reading, those of an instrument as averaged for the fit; those the fit used with what
    was expected of the kit."""

    def place(reading: Reading) -> tuple[int, str, str, str]:
        """One row of the wide form may hold a parameter of the tank and of the effluent."""
        return reading.row, reading.parameter, reading.sample, reading.of

    checks = {place(check.reading): check for check in study.posterior.checks}
    normal = salinity_factors(study.log, study.tank)
    entries = []
    for reading in condense(study.log).readings:
        check = used = checks.get(place(reading))
        if writer.hides(PARAMETERS[reading.parameter]):
            check = None
        convert = PARAMETERS[reading.parameter].from_canonical
        stated = reading.value * (normal(reading.time) if reading.sample == "tank" else 1.0)
        entries.append(
            writer.object(reading)
            | {
                "sample": reading.sample,
                "kit": reading.kit,
                "note": reading.note,
                "used": used is not None,
                # Evaporation raises all that the fit uses of the tank.
                "at_stated_salinity": used and convert(stated, reading.unit),
                "expected": check and convert(check.expected, reading.unit),
                "off_by_kit_errors": check and check.residual,
                "chance_ordinary": check and check.chance_ordinary,
                "odd": check and check.is_odd,
            }
        )
    return entries


def _used(writer: Writer) -> int:
    """Readings of the log that are in the fit, one by one or in an average."""
    return sum(check.reading.averaged for check in writer.study.posterior.checks)


def flagged(study: Study, writer: Writer) -> list[Json]:
    """Every entry that was found odd on reading the log, in the order of time; one for those that
    repeat one another."""
    return [
        writer.object(first)
        | {
            "flags": first.flags,
            "more_like_it": len(more),
            "more_rows": sorted({record.row for record in more} - {first.row}),
        }
        for first, *more in study.log.flagged
    ]


def priors(study: Study, _: Writer) -> dict[str, Prior]:
    """What the model takes for granted before any reading, by name."""
    return {prior.name: prior for prior in study.priors}


def _amount(action: Action, tank: Tank) -> tuple[float | None, str]:
    """What was done and its unit: of water the keeper's, of all else the canonical one."""
    unit = ACTIONS[action.kind].canonical_unit
    if unit != "L" or action.value is None:
        return action.value, unit
    return action.value / tank.volume_unit_l, tank.volume_unit


def _prior_as_read(prior: Prior, writer: Writer) -> Json:
    """A prior in the keeper's units; those without a unit as they are."""
    tank, alkalinity, calcium = writer.study.tank, writer.unit(ALKALINITY), writer.unit(CALCIUM)
    meq_l, mmol_l = ALKALINITY.units[alkalinity], CALCIUM.units[calcium]
    unit, one = {
        "water_volume_l": (tank.volume_unit, tank.volume_unit_l),
        "uptake_start_meq_l_d": (f"{alkalinity}/day", meq_l),
        "saturated_increment_meq_l": (alkalinity, meq_l),
        "level_response_l_meq": (f"for each {alkalinity}", 1 / meq_l),
        "calcium_share": (f"{calcium} per {alkalinity}", mmol_l / meq_l),
    }.get(prior.name, ("", 1.0))
    points = {"q025": _prior_point(prior, -1.96), "median": prior.median}
    points["q975"] = _prior_point(prior, 1.96)
    return {"unit": unit, **{name: value / one for name, value in points.items()}}


def _prior_point(prior: Prior, normal: float) -> float:
    place = prior.centre + prior.sd * normal
    if prior.scale == LOG:
        return math.exp(place)
    if prior.scale == IDENTITY:
        return place
    return prior.low + (prior.high - prior.low) / (1 + math.exp(-place))


TANK_TABLE = {
    Tank: Naming(
        "name water_volume_l=stated_volume_l water_volume_sd_fraction=stated_volume_sd_pct "
        "reactor=pump reactor.chamber_ph=chamber_ph",
        {
            "targets": lambda tank, writer: {
                name: _target(name, target, writer) for name, target in tank.targets.items()
            }
        },
        only=True,
    ),
    Target: Naming("middle"),
    Reactor: Naming(
        "flow_min_ml_h=min flow_max_ml_h=max flow_step_ml_h=step",
        {"unit": always("mL/h")},
        only=True,
    ),
    Kit: Naming(
        "parameter unit assumed",
        {"step": lambda kit, _: kit.step / PARAMETERS[kit.parameter].units[kit.unit]},
        only=True,
    ),
    TankLog: Naming(
        "name=log_name sha256=log_sha256 start=first_entry end=last_entry",
        {
            "tank_sha256": lambda _, writer: writer.study.tank_sha256,
            "readings": lambda log, _: len(log.readings),
            "readings_used": lambda _, writer: _used(writer),
            "readings_not_used": lambda log, writer: len(log.readings) - _used(writer),
            "actions": lambda log, _: len(log.actions),
        },
    ),
    Reading: Naming(
        "row time parameter=entry unit averaged=mean_of",
        {
            # What was sampled: the name of a water or reference, or the place.
            "of": lambda reading, _: reading.of or reading.sample,
            "value": lambda reading, _: PARAMETERS[reading.parameter].from_canonical(
                reading.value, reading.unit
            ),
        },
        only=True,
    ),
    Action: Naming(
        "kind=entry -note -flags",
        {
            "value": lambda action, writer: _amount(action, writer.study.tank)[0],
            "unit": lambda action, writer: _amount(action, writer.study.tank)[1],
        },
    ),
    Posterior: Naming(
        "volume_l=water_volume_l scatter=reading_checks diagnostics",
        {
            "calcium_per_alkalinity": lambda post, writer: (
                None
                if writer.hides(CALCIUM, ALKALINITY)
                else post.calcium_share * units.CA_G_MOL * units.MEQ_L_PER_DKH
            ),
            "calcium_used": _calcium_used,
            "water_volume": lambda post, writer: {
                "unit": writer.study.tank.volume_unit,
                **quantiles(post.volume_l / writer.study.tank.volume_unit_l),
            },
            "uptake": _uptake,
            "level_by_day": _levels_by_day,
            "level_now": lambda post, writer: {
                "alkalinity": writer.level(ALKALINITY, post.alkalinity_now_meq_l),
                "calcium": writer.level(CALCIUM, post.calcium_now_mmol_l),
            },
            "kits": _kits,
            "effluent": _effluent,
            "level_response": _level_response,
            "media_magnesium_share_pct": lambda post, writer: (
                100 * post.media_magnesium_share if largest_share(writer.study.tank) else None
            ),
            "odd_readings": lambda post, writer: [
                check
                for check in post.checks
                if check.is_odd and not writer.hides(PARAMETERS[check.reading.parameter])
            ],
        },
        only=True,
    ),
    ReadingCheck: Naming("*reading chance_ordinary", only=True),
    Scatter: Naming(
        "share_50=in_50_pct share_90=in_90_pct least_50=in_50_least_pct least_90=in_90_least_pct "
        "-runs_low -runs_high passes",
        {"runs_least": lambda scatter, _: max(math.ceil(scatter.runs_low), 1)},
    ),
    Diagnostics: Naming(
        computed={
            "r_hat_limit": always(R_HAT_LIMIT),
            "ess_limit": always(ESS_LIMIT),
            "divergences_limit": lambda of, _: int(DIVERGENCE_LIMIT * of.chains * of.draws),
            "seconds": lambda _, writer: writer.study.seconds if writer.timings else {},
        }
    ),
    Prior: Naming(
        "median",
        {
            "q025": lambda prior, _: _prior_point(prior, -1.96),
            "q975": lambda prior, _: _prior_point(prior, 1.96),
            "as_read": _prior_as_read,
        },
        only=True,
    ),
}
"""By class: what the rule does not know about tank, log and fit."""
