"""What stands before any setting, and when it goes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.advice.alarms import GRAVITY, Alarm, alarms_of, draws_through, effluent_ratios
from estimator.advice.fit_failure import lacking
from estimator.advice.trust import trust_in
from estimator.fit.checks import Diagnostics
from estimator.fit.doubts import Doubt, Doubts
from estimator.fit.watch import Change, Watch
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Composition
from estimator.remark import Remark
from estimator.study import Study
from estimator.unknowns import Unknown
from helpers.studies import FAILURES, build_study
from helpers.tanks import MIDNIGHT, example_log, example_tank

DKH = units.MEQ_L_PER_DKH
SIZES = {"uptake": (0.02, 0.05, 0.08), "kit": (0.02, 0.05, 0.08)}


def watched(*changes: tuple[str, str, float], of: str = "") -> Watch:
    """A watch over the last fortnight with these (kind, direction, chance), three days ago."""
    days = build_study("full").posterior.days[-14:]
    when = np.where(np.arange(14) == 11, 1.0, 0.0)
    made = tuple(
        Change(
            kind,
            of if kind in ("kit", "additions", "one_addition") else "",
            way,
            0.02,
            chance,
            tuple(
                (1 if way == "up" else -1) * x
                for x in SIZES.get(kind, (0.2, 0.3, 0.4))[:: 1 if way == "up" else -1]
            ),
            when,
        )
        for kind, way, chance in changes
    )
    nothing = 1.0 - sum(chance for _, _, chance in changes)
    return Watch(days, nothing, 0.8, made)


def found(study: Study | None = None, **given: Any) -> tuple[Alarm, ...]:
    """The alarms of a made-up study."""
    study = study or build_study("full")
    return alarms_of(study.log, study.tank, study.posterior, study.recommendation, **given)


def with_readings(log: TankLog, *readings: tuple[float, str, str, str, float, str]) -> TankLog:
    """The log with (days before its end, parameter, sample, of, value, kit) more."""
    more = tuple(
        Reading(900 + i, log.end - timedelta(days=d), parameter, sample, of, value, "dKH", kit)
        for i, (d, parameter, sample, of, value, kit) in enumerate(readings)
    )
    together = sorted((*log.readings, *more), key=lambda reading: reading.time)
    return replace(log, readings=tuple(together))


def raising(flow: float = 1500.0) -> Study:
    """A study that advises to raise the pump."""
    study = build_study("full")
    flow_advice = replace(study.recommendation.flow, current_ml_h=flow)
    return replace(study, recommendation=replace(study.recommendation, flow=flow_advice))


def test_nothing_stands_where_all_is_quiet() -> None:
    """No fault, no alarm: not even where changes are as likely as not to be told."""
    assert found() == ()
    assert found(watch=watched(("effluent", "down", 0.2), ("uptake", "up", 0.4))) == ()


@pytest.mark.parametrize(
    ("kind", "way", "about"),
    [
        ("effluent", "down", "effluent"),
        ("effluent_fade", "down", "effluent"),
        ("effluent", "up", "effluent"),
        ("uptake", "down", "uptake"),
        ("kit", "up", "kit"),
        ("additions", "up", "additions"),
        ("one_addition", "up", "additions"),
    ],
)
def test_what_is_likelier_than_not_stands(kind: str, way: str, about: str) -> None:
    """A change with more than half of the chance is told, with when, how much and a test."""
    of = {"kit": "drops", "additions": "calcium", "one_addition": "alkalinity"}.get(kind, "")
    (alarm,) = found(watch=watched((kind, way, 0.6), of=of))
    assert (alarm.about, alarm.of, alarm.chance) == (about, of, 0.6)
    assert alarm.code == f"alarm_{kind}_{way}"
    assert alarm.since == build_study("full").posterior.days[-3]
    assert alarm.size is not None
    assert (np.median(alarm.size) > 0) == (way == "up")
    assert alarm.tests


def test_a_step_and_a_fade_share_the_chance_of_a_weaker_effluent() -> None:
    """Neither alone is likelier than not; together they are. The likelier is told."""
    shared = watched(("effluent", "down", 0.25), ("effluent_fade", "down", 0.35))
    (alarm,) = found(watch=shared)
    assert alarm.chance == pytest.approx(0.6)
    assert alarm.code == "alarm_effluent_fade_down"


def test_a_weaker_effluent_stands_sooner_where_the_pump_would_be_raised() -> None:
    """Raising the flow on an emptying cylinder harms: a third of the chance is enough."""
    perhaps = watched(("effluent", "down", 0.4))
    assert found(watch=perhaps) == ()
    (alarm,) = found(raising(), watch=perhaps)
    assert alarm.about == "effluent"


@pytest.mark.parametrize(("reads_dkh", "stands"), [(27.5, False), (22.0, True)])
def test_the_effluent_test_that_was_asked_for_decides(reads_dkh: float, stands: bool) -> None:
    """A test since then that reads as before ends the alarm; one that reads weaker does not."""
    study = raising()
    flows = replace(study.log.actions[0], value=2600.0)
    log = replace(study.log, actions=(flows, *study.log.actions[1:]))
    log = with_readings(log, (1.0, "alkalinity", "effluent", "", reads_dkh * DKH, "drops"))
    weaker = watched(("effluent", "down", 0.6))
    assert bool(found(replace(study, log=log), watch=weaker)) == stands


@pytest.mark.parametrize(("reads_dkh", "stands"), [(7.0, False), (7.4, True)])
def test_a_reference_test_decides_whether_a_kit_shifted(reads_dkh: float, stands: bool) -> None:
    """A kit that reads a known solution right has not shifted."""
    study = build_study("full")
    known = {"standard": Composition("standard", {"alkalinity": 7.0 * DKH})}
    log = with_readings(
        study.log, (0.5, "alkalinity", "reference", "standard", reads_dkh * DKH, "drops")
    )
    study = replace(study, log=log, tank=replace(study.tank, references=known))
    shifted = watched(("kit", "up", 0.7), of="drops")
    alarms = found(study, watch=shifted)
    assert bool(alarms) == stands
    for alarm in alarms:
        assert [(test.of, test.repeats) for test in alarm.tests] == [("standard", 2)]


def test_doubts_stand_with_what_they_are_of() -> None:
    """A doubt that is likelier than not stands; one on a strength sooner, since it can kill."""
    doubts = Doubts(
        (
            Doubt("strength", "strength_wrong", 0.35, values={"of": "soda"}),
            Doubt("volume", "volume_wrong", 0.45),
            Doubt("kit", "kit_scatter", 0.9, size=np.full(9, 12.0), values={"of": "ca"}),
        )
    )
    strength, kit = found(doubts=doubts)
    assert (strength.about, strength.of) == ("strength", "soda")
    assert (kit.about, kit.unit) == ("kit", "times")
    assert [(test.entry, test.of, test.kit) for test in kit.tests] == [("calcium", "tank", "ca")]


def test_figures_that_are_withheld_always_have_an_alarm() -> None:
    """The reason why a figure is not shown stands above, however unsure it is."""
    doubt = Doubt("additions", "additions_up", 0.45, values={"of": "calcium"})
    assert found(doubts=Doubts((doubt,))) == ()
    (alarm,) = found(doubts=Doubts((doubt,), frozenset({"calcium"})))
    assert (alarm.about, alarm.of, alarm.unit) == ("additions", "calcium", "")


def test_one_alarm_for_one_thing() -> None:
    """The watch and a doubt on the same additions are told once, by the likelier."""
    doubt = Doubt("additions", "additions_up", 0.9, values={"of": "calcium"})
    both = found(watch=watched(("additions", "up", 0.6), of="calcium"), doubts=Doubts((doubt,)))
    assert [alarm.chance for alarm in both] == [0.9]


@pytest.mark.parametrize(("reads", "stands"), [((33.0, 32.0), True), ((32.0, 34.8), False)])
def test_the_last_salinity_readings_decide(reads: tuple[float, float], stands: bool) -> None:
    """Water more than a twentieth off the stated salinity stands until it reads right."""
    study = build_study("full")
    both = [(day, "salinity", "tank", "", one, "") for day, one in zip((9, 1), reads, strict=True)]
    log = with_readings(study.log, *both)
    alarms = found(replace(study, log=log))
    assert [alarm.code for alarm in alarms] == (["alarm_salinity_down"] if stands else [])
    for alarm in alarms:
        assert alarm.since == (log.end - timedelta(days=9)).date()
        assert alarm.size is not None
        assert np.median(alarm.size) == pytest.approx(-3.0)


def test_the_age_of_a_log_is_told_only_where_the_day_is_given() -> None:
    """The files depend on no clock: the day of the report is given or not looked at."""
    study = build_study("full")
    ended = study.log.end.date()
    assert found() == ()
    assert found(today=ended + timedelta(days=7)) == ()
    (alarm,) = found(today=ended + timedelta(days=30))
    assert (alarm.about, alarm.since, alarm.chance) == ("log age", ended, 1.0)
    assert {test.of for test in alarm.tests} == {"tank", "effluent"}


def test_a_failed_fit_names_what_is_lacking() -> None:
    """Not other random numbers, but the test for the quantity that mixes badly."""
    (alarm,) = build_study("failed").alarms
    assert alarm.about == "fit"
    assert alarm.causes.values["source"] == Unknown.UPTAKE
    assert [(test.entry, test.of) for test in alarm.tests] == [("alkalinity", "tank")]


@pytest.mark.parametrize(
    ("quantity", "unknown"),
    [
        ("effluent alkalinity", Unknown.EFFLUENT),
        ("needed flow", Unknown.EFFLUENT),
        ("uptake on 2026-03-01", Unknown.UPTAKE),
        ("calcium per alkalinity", Unknown.CALCIUM),
        ("water volume", Unknown.VOLUME),
        ("calibration of drops, bottle 1", Unknown.KIT),
        ("", Unknown.EFFLUENT),
    ],
)
def test_every_quantity_that_is_checked_hangs_on_something(quantity: str, unknown: Unknown) -> None:
    """Whatever fails a check leads to a remedy, divergences by the quantity that mixes worst."""
    failed = Remark("fit_few_draws", {"quantity": quantity, "ess": 9.0, "ess_limit": 400})
    divergent = Remark("fit_divergent", {"divergences": 9, "draws": 100})
    for failure in (failed, divergent):
        found = Diagnostics(1.1, 9.0, 9.0, quantity, 9, 4, 25, (failure,))
        assert lacking(found) == unknown


def test_the_gravest_comes_first() -> None:
    """In the order of `GRAVITY`, ties by chance."""
    study = build_study("full")
    log = with_readings(study.log, (1.0, "salinity", "tank", "", 31.0, ""))
    doubts = Doubts((Doubt("strength", "strength_wrong", 0.6, values={"of": "soda"}),))
    alarms = found(
        replace(study, log=log),
        watch=watched(("effluent", "down", 0.52), ("uptake", "up", 0.1)),
        doubts=doubts,
        today=date(2027, 1, 1),
    )
    places = [GRAVITY.index(alarm.about) for alarm in alarms]
    assert places == sorted(places)
    assert len(places) == 4


def test_trust_is_never_high_while_an_alarm_stands() -> None:
    """A model that follows a fault is not to be trusted, however well it fits."""
    study = build_study("full")
    assert study.trust.level == "high"
    alarms = found(watch=watched(("uptake", "up", 0.9)))
    told = trust_in(study.posterior, study.log, alarms)
    assert told.level == "medium"
    assert "trust_alarm" in [reason.code for reason in told.reasons]
    doubt = Doubt("strength", "strength_wrong", 0.9, values={"of": "soda"})
    grave = found(doubts=Doubts((doubt,)))
    assert trust_in(study.posterior, study.log, grave).level == "low"


def test_a_failed_check_is_told_once() -> None:
    """Trust names the failed checks, not the alarm that tells them again."""
    assert FAILURES
    codes = [reason.code for reason in build_study("failed").trust.reasons]
    assert codes == ["trust_checks_failed"]


def test_draws_keep_the_points_that_they_go_through() -> None:
    """5, 50 and 95 % points of a size come back, whichever side it is skewed to."""
    points = (-0.5, -0.3, -0.25)
    assert np.quantile(draws_through(points), [0.05, 0.5, 0.95]) == pytest.approx(points)


def test_tests_name_kit_and_minutes() -> None:
    """The kit that read the parameter last, its minutes for all repeats, none for a probe."""
    study = build_study("full")
    kits = {**study.tank.kits, "drops": replace(study.tank.kits["drops"], minutes=7.0)}
    study = replace(study, tank=replace(study.tank, kits=kits))
    (alarm,) = found(study, watch=watched(("effluent", "down", 0.8)))
    assert [(t.entry, t.of, t.kit, t.repeats, t.minutes) for t in alarm.tests] == [
        ("alkalinity", "effluent", "drops", 2, 14.0),
        ("ph", "chamber", None, 1, 1.0),
    ]
    assert isinstance(study.log.end, datetime)


@pytest.mark.parametrize(("before", "code"), [(3.0, []), (2.9, ["alarm_salinity_down"])])
def test_salinity_readings_of_three_days_count_together(before: float, code: list[str]) -> None:
    """30 and then 34.8 g/kg of 35: their mean is far too low, the last alone is right. What was
    read three days before the last one counts no more."""
    study = build_study("full")
    both = [
        (day, "salinity", "tank", "", one, "") for day, one in ((0.5 + before, 30.0), (0.5, 34.8))
    ]
    alarms = found(replace(study, log=with_readings(study.log, *both)))
    assert [alarm.code for alarm in alarms] == code


def test_half_a_gram_of_salinity_is_what_an_instrument_errs_by() -> None:
    """A twentieth of 35 is 1.75: at 33.25 the chance is even, half a gram lower 84 %."""
    study = build_study("full")
    for reads, chance in ((33.2, 0.54), (32.75, 0.8413)):
        log = with_readings(study.log, (0.5, "salinity", "tank", "", reads, ""))
        (alarm,) = found(replace(study, log=log))
        assert alarm.chance == pytest.approx(chance, abs=0.003)
        assert alarm.size is not None
        assert np.quantile(alarm.size, [0.05, 0.95]) == pytest.approx(
            [reads - 35 - 1.645 * 0.5, reads - 35 + 1.645 * 0.5]
        )


def test_effluent_tests_are_held_against_those_of_their_flow_and_media() -> None:
    """At 30 L/day since day 4, new media on day 6: 20 and 24 dKH before day 10 are 22 as a rule,
    after which 15.1 reads half of the 13.8 over the band's 8.2; not what is of another flow or of
    the media before, wherever it stands, nor the tank's own."""
    of = [(2.0, 12.0), (5.0, 40.0), (7.0, 20.0), (8.0, 24.0), (12.0, 15.1)]
    read = [(day, "alkalinity", "effluent", "alk", dkh * DKH) for day, dkh in of]
    read.append((12.5, "alkalinity", "tank", "alk", 8.0 * DKH))
    done = [(0.0, "flow", "", 500.0), (4.0, "flow", "", 1250.0), (6.0, "media_change")]
    since = MIDNIGHT.date() + timedelta(days=10)
    found = effluent_ratios(example_log(read, done), example_tank(), since)
    assert found == {6: pytest.approx(0.5, abs=1e-6)}
