"""The tank file: what is read from it, and every way in which it can be wrong."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from estimator.errors import InputError
from estimator.inputs.read import read_tank
from estimator.inputs.tank import Tank

MINIMAL = """\
[tank]
water_volume_l = 620
[targets.alkalinity]
low = 7.6
high = 8.8
unit = "dKH"
"""

FULL = """\
[tank]
name = "Invented tank"
water_volume_us_gal = 100
water_volume_sd_pct = 6
salinity_g_kg = 34
temperature_c = 26
room_co2_ppm = 750
lights_on = "14:30"
lights_off = "02:00"
[targets.alkalinity]
low = 7.6
high = 8.8
unit = "dkh"
max_rise_per_day = 0.5
[targets.calcium]
low = 400
high = 450
[kits.alk-drops]
parameter = "alkalinity"
unit = "dKH"
step = 0.3
repeatability = 0.2
calibration_sd_pct = 5
minutes = 6
[kits.thermometer]
parameter = "temperature"
unit = "F"
step = 1.8
[solutions.soda]
alkalinity_meq_per_ml = 1.9
[solutions.chloride]
calcium_chloride_dihydrate_g_per_l = 147.01
[water.new]
alkalinity = 8.2
calcium = 420
[reference."standard no. 1"]
alkalinity = 2.5
alkalinity_unit = "meq/L"
[reactor]
flow_min_ml_h = 60
flow_max_ml_h = 3000
flow_step_ml_h = 10
chamber_ph = 6.6
chambers = 2
media_kg = 3.0
magnesium_media_pct = 10
media = "calcite"
magnesium_media = "Dolomite"
co2_charge_g = 2000
"""


def tank_of(text: str) -> Tank:
    """The tank that `text` describes."""
    tank, _ = read_tank(Path("tank.toml"), data=text.encode())
    return tank


def faults_of(text: str | bytes) -> str:
    """All fault messages, one a line."""
    data = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(InputError) as caught:
        read_tank(Path("tank.toml"), data=data)
    return "\n".join(str(fault) for fault in caught.value.faults)


def test_minimal_file_takes_the_documented_defaults() -> None:
    """Volume and alkalinity band are enough; everything else has a stated default."""
    tank = tank_of(MINIMAL)
    assert tank.name == "Tank"
    assert tank.water_volume_sd_fraction == pytest.approx(0.10)
    assert (tank.salinity_g_kg, tank.temperature_c) == (35, 25.5)
    assert (tank.lights_on_h, tank.lights_off_h) == (10, 20)
    assert tank.reactor is None
    assert tank.room_co2_ppm is None
    assert not tank.kits
    assert list(tank.targets) == ["alkalinity"]


def test_full_file_arrives_in_canonical_units() -> None:
    """Degrees, per cent, gallons and °F steps are converted once, at the edge."""
    tank = tank_of(FULL)
    assert tank.water_volume_l == pytest.approx(378.5411784)  # 100 US gallons, exact
    assert (tank.volume_unit, tank.volume_unit_l) == ("gal", 3.785411784)
    assert tank.targets["alkalinity"].unit == "dKH"
    assert tank.targets["alkalinity"].low == pytest.approx(7.6 * 0.356652, rel=1e-5)
    assert tank.targets["alkalinity"].max_rise_per_day == pytest.approx(0.178326, rel=1e-5)
    assert tank.kits["alk-drops"].step == pytest.approx(0.3 * 0.356652, rel=1e-5)
    assert tank.kits["alk-drops"].calibration_sd == pytest.approx(0.05)
    assert tank.kits["thermometer"].step == pytest.approx(1.0)
    assert tank.solutions["chloride"].calcium_mmol_per_ml == pytest.approx(1.0, rel=1e-3)
    assert tank.waters["new"].levels["calcium"] == pytest.approx(420 / 40.078)
    assert tank.references["standard no. 1"].levels["alkalinity"] == pytest.approx(2.5)
    assert tank.reactor is not None
    assert tank.reactor.magnesium_media_fraction == pytest.approx(0.1)
    assert (tank.reactor.media, tank.reactor.magnesium_media) == ("calcite", "dolomite")
    assert tank.room_co2_ppm == 750


def test_lights_may_cross_midnight() -> None:
    """Lights off earlier in the day than lights on is a night-time photoperiod, not a slip."""
    tank = tank_of(FULL)
    assert (tank.lights_on_h, tank.lights_off_h) == (14.5, 2.0)


def test_water_takes_the_unit_of_the_target() -> None:
    """A water without its own unit is stated in the unit of the band."""
    assert tank_of(FULL).waters["new"].levels["alkalinity"] == pytest.approx(8.2 * 0.356652, 1e-5)


def test_reactor_has_defaults_for_the_pump() -> None:
    """Only the largest flow must be stated."""
    reactor = tank_of(MINIMAL + "[reactor]\nflow_max_ml_h = 3000\n").reactor
    assert reactor is not None
    assert (reactor.flow_min_ml_h, reactor.flow_step_ml_h, reactor.chambers) == (0, 1, 1)
    assert (reactor.media, reactor.magnesium_media) == ("aragonite", None)


def test_sha256_is_that_of_the_bytes() -> None:
    """The report can prove which file it was made from."""
    _, sha256 = read_tank(Path("tank.toml"), data=FULL.encode())
    assert sha256 == hashlib.sha256(FULL.encode()).hexdigest()


def test_byte_order_mark_is_accepted() -> None:
    """Some editors begin a UTF-8 file with a mark."""
    assert tank_of("\ufeff" + MINIMAL).water_volume_l == 620


def test_ppm_of_alkalinity_is_calcium_carbonate() -> None:
    """Bottles and bands in ppm mean mg/L CaCO3 in any case; those of a solute mean mg/L."""
    text = FULL.replace(
        'alkalinity = 2.5\nalkalinity_unit = "meq/L"', 'alkalinity = 125.1\nalkalinity_unit = "Ppm"'
    )
    assert tank_of(text).references["standard no. 1"].levels["alkalinity"] == pytest.approx(
        2.5, 1e-3
    )
    text = FULL.replace("low = 400", 'unit = "PPM"\nlow = 400')
    assert tank_of(text).targets["calcium"].unit == "mg/L"


def test_a_written_unit_of_a_water_is_believed() -> None:
    """Only a blank unit is doubted, and only where another makes the value usual."""
    text = FULL.replace("alkalinity = 8.2", 'alkalinity = 90\nalkalinity_unit = "dKH"')
    assert tank_of(text).waters["new"].levels["alkalinity"] == pytest.approx(90 * 0.356652, 1e-5)


@pytest.mark.parametrize(
    ("stated", "alkalinity", "calcium"),
    [
        ("calcium_hydroxide_g_per_l = 1.59", 0.0429, 0.02146),
        ("raises_100_l_dkh_per_ml = 0.05", 1.783, 0.0),
        ("sodium_bicarbonate_g_per_l = 100", 1.190, 0.0),
        ("sodium_carbonate_g_per_l = 290", 5.47, 0.0),
    ],
)
def test_strengths_up_to_what_dissolves_are_read(
    stated: str, alkalinity: float, calcium: float
) -> None:
    """Saturated limewater has 0.043 meq and 0.0215 mmol calcium per mL (from memory)."""
    soda = tank_of(changed("alkalinity_meq_per_ml = 1.9", stated)).solutions["soda"]
    assert soda.alkalinity_meq_per_ml == pytest.approx(alkalinity, rel=2e-3)
    assert soda.calcium_mmol_per_ml == pytest.approx(calcium, rel=2e-3)


def changed(old: str, new: str) -> str:
    """`FULL` with one thing wrong."""
    assert FULL.count(old) == 1, old
    return FULL.replace(old, new)


BROKEN = [
    ("", ["tank.water_volume_l: is missing", "targets.alkalinity.low: is missing"]),
    ("[tank\n", ["not valid TOML", "line 1"]),
    ("tank = 5", ["tank: found '5'; must be a table, written [tank]"]),
    ("[[kits]]\na = 1", ["kits: found 'a list'; must be a table"]),
    ("a = " + "[" * 900, ["not valid TOML"]),
    (MINIMAL.replace("620", "9" * 5000), ["row 2: found '5017 characters'", "at most 1000"]),
    (MINIMAL.replace("620", "9" * 400), ["tank.water_volume_l", "plain number"]),
    (MINIMAL.replace("620", "nan"), ["tank.water_volume_l", "plain number"]),
    (MINIMAL.replace("620", "true"), ["tank.water_volume_l: found 'true'", "plain number"]),
    (MINIMAL.replace("620", '"620"'), ["tank.water_volume_l: found '620'", "quotation marks"]),
    (MINIMAL.replace("620", "0"), ["tank.water_volume_l: found '0'", "more than 0"]),
    (MINIMAL.replace("620", "-3"), ["tank.water_volume_l: found '-3'"]),
    (MINIMAL.replace("620", "620\nwater_volume_us_gal = 2"), ["state the volume once"]),
    (MINIMAL.replace("620", "620\nwater_volume_sd_pct = 0"), ["water_volume_sd_pct"]),
    (MINIMAL.replace("620", "620\nwater_volume_sd_pct = 1e-300"), ["must be at least 0.1"]),
    (changed("minutes = 6", "minutes = 1e-300"), ["drops.minutes", "must be at least 0.1"]),
    (changed("media_kg = 3.0", "media_kg = 1e-300"), ["must be at least 0.01"]),
    (changed("co2_charge_g = 2000", "co2_charge_g = 1e-300"), ["must be at least 1"]),
    (MINIMAL.replace("620", "620\ntemperature_c = 78"), ["tank.temperature_c: found '78'"]),
    (MINIMAL.replace("620", "620\nroom_co2_ppm = 0.06"), ["tank.room_co2_ppm: found '0.06'"]),
    (MINIMAL.replace("620", "620\nname = 3"), ["tank.name: found '3'", "text"]),
    (MINIMAL.replace("620", "620\nwater_volum = 3"), ["water_volum'; unknown key; did you mean"]),
    (MINIMAL + "[kit.a]\n", ["unknown key; did you mean kits?"]),
    (MINIMAL + "[kits]\na = 1\n", ["kits.a: found '1'; must be a table"]),
    (MINIMAL + "[targets.nitrate]\n", ["targets.nitrate", "unknown key", "magnesium"]),
    (MINIMAL + "[reference.empty]\n", ["reference.empty: a reference", "at least one"]),
    (MINIMAL + "[water.Tank]\n", ["water.Tank: found 'Tank'", "choose another name"]),
    (MINIMAL + '[solutions." x"]\n', ["a name may not be blank"]),
    (MINIMAL + "[solutions.x]\n", ["solutions.x: adds nothing"]),
    (MINIMAL + "[solutions.x]\nalkalinity_meq_per_ml = 0\n", ["solutions.x: adds nothing"]),
    (MINIMAL + "[solutions.x]\nsodium_carbonat_g_per_l = 9\n", ["did you mean sodium_carbonate_g"]),
    (MINIMAL + "[reactor]\n", ["reactor.flow_max_ml_h: is missing"]),
    (
        changed("low = 7.6", "low = 9.6"),
        ["targets.alkalinity.low", "lower than high, which is 8.8"],
    ),
    (changed('unit = "dkh"', ""), ["targets.alkalinity.unit: is missing"]),
    (changed('unit = "dkh"', 'unit = "mg"'), ["unknown unit for alkalinity", "mg/L CaCO3"]),
    (changed('unit = "dkh"', 'unit = "ppm"'), ["within 53.54 to 357 mg/L CaCO3; check the unit"]),
    (changed('unit = "dkh"', 'unit = "meq/L"'), ["check the unit"]),
    (changed('lights_off = "02:00"', 'lights_off = "14:30"'), ["must differ from lights_on"]),
    (changed('"02:00"', '"24:00"'), ["tank.lights_off: found '24:00'", "time of day"]),
    (changed('"02:00"', "02:00:00"), ["tank.lights_off", "quotation marks"]),
    (changed("step = 0.3", "step = 0"), ["kits.alk-drops.step: found '0'", "more than 0"]),
    (changed("step = 0.3", ""), ["kits.alk-drops.step: is missing"]),
    (changed('"alkalinity"', '"alkalinty"'), ["did you mean alkalinity?"]),
    (changed("repeatability = 0.2", "repeatability = 0"), ["kits.alk-drops.repeatability"]),
    (changed("calibration_sd_pct = 5", "calibration_sd_pct = 51"), ["at most 50"]),
    (changed("meq_per_ml = 1.9", "meq_per_ml = 1900"), ["solutions.soda", "at most 5.5"]),
    (changed("meq_per_ml = 1.9", "meq_per_ml = 19"), ["at most 5.5", "ten times too high"]),
    (changed("alkalinity_meq_per_ml = 1.9", "raises_100_l_dkh_per_ml = 0.5"), ["at most 0.154"]),
    (changed("dihydrate_g_per_l = 147.01", "dihydrate_g_per_l = 1470"), ["at most 1200", "ten"]),
    (
        changed("alkalinity_meq_per_ml = 1.9", "sodium_bicarbonate_g_per_l = 840"),
        ["solutions.soda.sodium_bicarbonate_g_per_l", "at most 110; no more dissolves in a litre"],
    ),
    (
        changed("alkalinity_meq_per_ml = 1.9", "sodium_carbonate_g_per_l = 1060"),
        ["sodium_carbonate_g_per_l: found '1060'", "at most 290; no more dissolves"],
    ),
    (
        changed("alkalinity_meq_per_ml = 1.9", "calcium_hydroxide_g_per_l = 2"),
        ["at most 1.7; no more dissolves; write 1.59 for clear limewater", "with its powder"],
    ),
    (
        changed("alkalinity_meq_per_ml = 1.9", "magnesium_chloride_hexahydrate_g_per_l = 1800"),
        ["at most 1700"],
    ),
    (
        changed("meq_per_ml = 1.9", "meq_per_ml = 4\nsodium_carbonate_g_per_l = 212"),
        ["solutions.soda: its keys add up to 8 alkalinity_meq_per_ml", "more than 5.5", "twice"],
    ),
    (
        changed("minutes = 6", "minutes = 400"),
        ["kits.alk-drops.minutes: found '400'", "at most 240"],
    ),
    (changed("co2_charge_g = 2000", "co2_charge_g = 60000"), ["at most 50000; state the grams"]),
    (
        changed("media_kg = 3.0", "media_kg = 1200"),
        ["reactor.media_kg", "at most 1000; state it in kg"],
    ),
    (
        changed("alkalinity = 8.2", "alkalinity = 146"),
        ["water.new.alkalinity: found '146'", "as mg/L CaCO3 it is 8.2 dKH", "alkalinity_unit"],
    ),
    (changed("alkalinity = 8.2", "alkalinity = -1"), ["water.new.alkalinity: found '-1'"]),
    (changed("calcium = 420", "calcium = 42000"), ["water.new.calcium", "check the unit"]),
    (changed("[reference.", "[reference.foo]\nph = 3\n[reference."), ["foo.ph"]),
    (changed("[water.new]", "[reference.new]\ncalcium = 9\n[water.new]"), ["the same name"]),
    (changed("flow_min_ml_h = 60", "flow_min_ml_h = 3000"), ["less than flow_max_ml_h"]),
    (changed("flow_step_ml_h = 10", "flow_step_ml_h = 0"), ["reactor.flow_step_ml_h: found '0'"]),
    (changed("chamber_ph = 6.6", "chamber_ph = 8.2"), ["reactor.chamber_ph", "at least 5.5"]),
    (changed("chambers = 2", "chambers = 1.5"), ["reactor.chambers", "1, 2 or 3"]),
    (changed("media_pct = 10", "media_pct = 101"), ["reactor.magnesium_media_pct"]),
    (
        changed('media = "calcite"', 'media = "calcit"'),
        ["reactor.media: found 'calcit'", "did you mean calcite? Accepted: aragonite, calcite"],
    ),
    (
        changed('"Dolomite"', '"brucite"'),
        ["reactor.magnesium_media", "dolomite, magnesite, hydrox"],
    ),
    (changed('"Dolomite"', '"none"'), ["reactor.magnesium_media", "which is 10", "name the kind"]),
    (
        changed("magnesium_media_pct = 10", "").replace('"Dolomite"', '"hydroxide"'),
        ["reactor.magnesium_media_pct", "is missing"],
    ),
    ("\xff".encode("latin-1"), ["must be UTF-8", "0xff"]),
    (MINIMAL.encode("utf-16"), ["UTF-16"]),
    (b"#" * 1_000_001, ["at most 0.2 MB", "1.0 MB"]),
]


@pytest.mark.parametrize(("text", "fragments"), BROKEN)
def test_broken_tank_is_named(text: str | bytes, fragments: list[str]) -> None:
    """Each broken rule is reported with the dotted key, what was found and the remedy."""
    message = faults_of(text)
    for fragment in fragments:
        assert fragment in message
    assert all(line.startswith("tank.toml") for line in message.splitlines())


ONE_SLIP = [
    changed("step = 0.3", 'step = "0.3"'),
    changed("low = 7.6", "low = true"),
    changed('"alkalinity"', '"alkalinty"'),
    changed("meq_per_ml = 1.9", "meq_per_m = 1.9"),
    changed("flow_max_ml_h = 3000", "flow_max_ml_h = -1"),
    changed("chambers = 2", 'chambers = "two"'),
    changed('media = "calcite"', "media = 1"),
    changed('"Dolomite"', '"talc"'),
    changed('lights_on = "14:30"', "lights_on = 14"),
    changed("calcium = 420", "calcium = nan"),
]


@pytest.mark.parametrize("text", ONE_SLIP)
def test_one_slip_gives_one_fault(text: str) -> None:
    """What stands in for a bad value raises no further faults of its own."""
    assert len(faults_of(text).splitlines()) == 1


def test_several_faults_are_all_listed() -> None:
    """A fault in one table does not hide those in the others."""
    text = changed("step = 0.3", "step = -1").replace("chambers = 2", "chambers = 9")
    message = faults_of(text.replace('name = "Invented tank"', "nam = 1"))
    assert len(message.splitlines()) == 3


def test_text_from_the_file_is_cut_and_printable() -> None:
    """A hostile key cannot clear the screen or flood it."""
    text = MINIMAL + '"\\u001b[2J' + "x" * 500 + '" = 1\n'
    (line,) = faults_of(text).splitlines()
    assert line.isprintable()
    assert len(line) < 400


def test_no_accepted_key_is_named_twice() -> None:
    """The keys of a solution are listed once each, whichever of them the file states."""
    line = faults_of(changed("meq_per_ml = 1.9", "meq_per_ml = 1.9\nlime = 2"))
    assert line.count("alkalinity_meq_per_ml") == 1


def test_missing_file_is_a_fault(tmp_path: Path) -> None:
    """A wrong path ends in a message, not in a traceback."""
    with pytest.raises(InputError, match="cannot be opened"):
        read_tank(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cannot be opened"):
        read_tank(tmp_path)


@pytest.mark.parametrize(
    ("stated", "salinity"),
    [
        ("salinity_g_kg = 34", 34.0),
        ("salinity_sg = 1.0264", 35.036),
        ("salinity_ms_cm = 53.071", 35),
    ],
)
def test_salinity_in_the_keepers_own_scale(stated: str, salinity: float) -> None:
    """Each key leads to g/kg."""
    tank, _ = read_tank(Path("t"), data=MINIMAL.replace("620", f"620\n{stated}").encode())
    assert tank.salinity_g_kg == pytest.approx(salinity, abs=0.001)


@pytest.mark.parametrize(
    ("stated", "fragment"),
    [
        ("salinity_sg = 35", "salinity_sg: found '35'; must be at least 1.004 and at most 1.038"),
        ("salinity_g_kg = 1.026", "salinity_g_kg: found '1.026'; must be at least 5"),
        ("salinity_sg = 1.026\nsalinity_g_kg = 35", "state the salinity once"),
        ("water_volume_gal = 100", "did you mean water_volume_us_gal?"),
    ],
)
def test_a_slip_of_the_scale_is_named(stated: str, fragment: str) -> None:
    """A hint never changes the meaning: gallons lead to gallons."""
    with pytest.raises(InputError) as caught:
        read_tank(Path("t"), data=MINIMAL.replace("620", f"620\n{stated}").encode())
    (fault,) = caught.value.faults
    assert fragment in str(fault)


def test_new_water_in_specific_gravity() -> None:
    """`salinity_unit` takes what a log takes; without it specific gravity is not guessed at."""
    water = "[water.new]\nsalinity = 1.0264\n"
    tank, _ = read_tank(Path("t"), data=(MINIMAL + water + 'salinity_unit = "SG"\n').encode())
    assert tank.waters["new"].levels["salinity"] == pytest.approx(35.036, abs=0.001)
    with pytest.raises(InputError, match=r"as SG it is 35\.0 g/kg; write .* as salinity_unit"):
        read_tank(Path("t"), data=(MINIMAL + water).encode())
