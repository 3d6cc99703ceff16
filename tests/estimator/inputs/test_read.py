"""The log: what its entries mean, and every way in which it can be wrong."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import pytest

from estimator.errors import InputError
from estimator.inputs.read import read_inputs, read_log, read_tank
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from helpers.tanks import TANK_FILE

NOW = datetime(2025, 6, 1, 9, 0)
DKH = 0.356652  # meq/L, see test_units

RICH_TANK_FILE = """\
[kits.strips]
parameter = "alkalinity"
unit = "mg/L CaCO3"
step = 20
[kits.ca-drops]
parameter = "calcium"
unit = "mg/L"
step = 10
[solutions.chloride]
calcium_chloride_dihydrate_g_per_l = 270
[water.old]
"""
ENOUGH = "2025-03-01,alkalinity,,8.1,,,\n2025-03-02,alkalinity,,8.0,,,\n"
HEADER = "time,entry,of,value,unit,kit,note\n"


def make_tank(text: str = TANK_FILE) -> Tank:
    """A tank with one of everything, or the one that `text` describes."""
    tank, _ = read_tank(Path("tank.toml"), data=text.encode())
    return tank


def read(text: str | bytes, tank: Tank | None = None) -> tuple[TankLog, Tank]:
    """Read a log held in memory."""
    data = text if isinstance(text, bytes) else text.encode()
    return read_log(Path("log.csv"), tank or make_tank(), now=NOW, data=data)


def log_of(rows: str) -> TankLog:
    """The log of the rows given and two ordinary readings before them (rows 2 and 3)."""
    return read(HEADER + ENOUGH + rows)[0]


def faults_of(text: str | bytes, tank: Tank | None = None) -> list[str]:
    """All fault messages of a log."""
    with pytest.raises(InputError) as caught:
        read(text, tank)
    return [str(fault) for fault in caught.value.faults]


# --- what is read ---------------------------------------------------------------------------


def test_long_form_reading() -> None:
    """Every cell of a reading arrives, the value in canonical units."""
    log = log_of("2025-03-05 18:30,alkalinity,effluent,28.5,dKH,drops,after a clean\n")
    reading = log.readings[-1]
    assert (reading.row, reading.time) == (4, datetime(2025, 3, 5, 18, 30))
    assert (reading.parameter, reading.sample, reading.of) == ("alkalinity", "effluent", "")
    assert reading.value == pytest.approx(28.5 * DKH, rel=1e-5)
    assert (reading.unit, reading.kit, reading.note) == ("dKH", "drops", "after a clean")
    assert reading.flags == ()
    assert (log.name, log.rows, log.end) == ("log.csv", 3, reading.time)


@pytest.mark.parametrize(
    ("cells", "kind", "of", "value"),
    [
        ("flow,,600,,", "flow", "", 600),
        ("Flow,reactor,10,mL/min,", "flow", "", 600),
        ("flow,,14.4,L/day,", "flow", "", 600),
        ("flow,,0,,", "flow", "", 0),
        ("ph_setting,,6.6,,", "ph_setting", "", 6.6),
        ("dose,,25,,", "dose", "soda", 25),
        ("dose,SODA,0.025,l,", "dose", "soda", 25),
        ("dose_rate,soda,30,ml/day,", "dose_rate", "soda", 30),
        ("water_change,,60,,", "water_change", "new", 60),
        ("water_change,,10,gal,", "water_change", "new", 37.85411784),
        ("water_change,,10,Gallons,", "water_change", "new", 37.85411784),
        ("stock_change,,,,", "stock_change", "", None),
        ("media_change,,,,", "media_change", "", None),
        ("media_change,reactor,2.5,kg,", "media_change", "", 2.5),
        ("co2_change,,,,", "co2_change", "", None),
        ("co2_change,,1100,,", "co2_change", "", 1100),
        ("CO2_change,reactor,1.1,kg,", "co2_change", "", 1100),
        ("new_bottle,,,,", "new_bottle", "drops", None),
        ("new_bottle,drops,,,", "new_bottle", "drops", None),
        ("new_bottle,,,,drops", "new_bottle", "drops", None),
    ],
)
def test_actions(cells: str, kind: str, of: str, value: float | None) -> None:
    """A blank `of` means the only thing it can mean; units become those of `Action`."""
    (action,) = log_of(f"2025-03-05,{cells},\n").actions
    assert (action.kind, action.of) == (kind, of)
    assert action.value == (value if value is None else pytest.approx(value))
    assert action.flags == ()


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        ("8", "dKH"),
        ("8", "DKH"),
        ("8", "°dKH"),
        ("2.853216", "meq/l"),
        ("2.853216", "mmol/L"),
        ("142.784", "mg/L CaCO3"),
        ("142.784", "ppm  caco3"),
        ("142.784", "PPM"),
        ("142.784", "mg/l as CaCO3"),
        ("8", "°KH"),
        ("8", "°dH"),
        ("8", ""),
    ],
)
def test_alkalinity_units_mean_the_same(value: str, unit: str) -> None:
    """Any accepted spelling of a unit gives the same level; blank means the kit's unit."""
    reading = log_of(f"2025-03-05,alkalinity,,{value},{unit},,\n").readings[-1]
    assert reading.value == pytest.approx(8 * DKH, rel=1e-5)


@pytest.mark.parametrize(
    ("cells", "value"),
    [
        ("temperature,,77,F", 25.0),
        ("temperature,,25,", 25.0),
        ("salinity,,35,ppt", 35.0),
        ("salinity,,1.0264,SG", 35.036004),
        ("SG,,1.0264,", 35.036004),
        ("Specific  gravity,new,1.0264,sg", 35.036004),
        ("salinity,,53.071,mS/cm", 35.0),
        ("conductivity,,53.071,", 35.0),
        ("alk,,8,dKH", 8 * DKH),
        ("KH,,142.784,ppm", 8 * DKH),
        ("kh,,8,", 8 * DKH),
        ("dKH,,8,", 8 * DKH),
        ("Ca,,400.78,", 10.0),
        ("MG,,1300,ppm", 1300 / 24.305),
        ("no3,,6.2,", 6.2 / 62.004),
        ("temp,,77,F", 25.0),
        ("PO4,,0.05,ppm", 0.05 / 94.970),
        ("ph,chamber,6.6,", 6.6),
        ("ph,,8.1,NBS", 8.1),
        ("nitrate,,6.2,ppm", 6.2 / 62.004),
        ("calcium,new,400.78,mg/L", 10.0),
        ("magnesium,,1.3e3,", 1300 / 24.305),
    ],
)
def test_other_parameters(cells: str, value: float) -> None:
    """Units that cannot be mistaken need not be written."""
    reading = log_of(f"2025-03-05,{cells},,\n").readings[-1]
    assert reading.value == pytest.approx(value, rel=1e-5)


def test_a_kit_for_salinity_may_count_in_specific_gravity() -> None:
    """Its step is a difference at usual salinities, not a level."""
    kit = '[kits.float]\nparameter = "sal"\nunit = "SG"\nstep = 0.0005\n'
    tank = make_tank(TANK_FILE + kit)
    assert tank.kits["float"].step == pytest.approx(0.66, abs=0.01)
    log, _ = read(HEADER + ENOUGH + "2025-03-05,salinity,,1.0264,,,\n", tank)
    assert log.readings[-1].value == pytest.approx(35.036, abs=0.001)


def test_samples() -> None:
    """`of` says where the water came from; a name leads to its kind."""
    rows = "".join(f"2025-03-05,alkalinity,{of},8,,,\n" for of in ("new", "Standard", " tank "))
    samples = [(reading.sample, reading.of) for reading in log_of(rows).readings[2:]]
    assert samples == [("water", "new"), ("reference", "standard"), ("tank", "")]


def test_columns_in_any_order_and_case() -> None:
    """Only the names of the columns matter; unit, kit, of and note may be absent."""
    log, _ = read("Value, TIME ,Entry\n8.1,2025-03-01,alkalinity\n8.0,2025-03-02,Alkalinity\n")
    assert [reading.value for reading in log.readings] == pytest.approx([8.1 * DKH, 8 * DKH], 1e-5)


def test_wide_form() -> None:
    """Each filled cell of a wide row is a tank reading with the row's number and note."""
    log, _ = read(
        "date,alkalinity [meq/L],calcium,note\n"
        "2025-03-01,2.9,,first\n"
        ",,,\n"
        "2025-03-02 08:00,2.8,420,\n"
        "2025-07-09,,,not tested yet\n"
    )
    seen = [(r.row, r.parameter, r.unit, r.sample, r.note) for r in log.readings]
    assert seen == [
        (2, "alkalinity", "meq/L", "tank", "first"),
        (4, "alkalinity", "meq/L", "tank", ""),
        (4, "calcium", "mg/L", "tank", ""),
    ]
    assert log.readings[0].value == pytest.approx(2.9)
    assert (log.rows, log.rows_without_time) == (3, 1)


def test_wide_form_takes_the_same_words() -> None:
    """A word that states a unit states it for its column."""
    log, _ = read("Date,KH [ppm],Ca,SG,Temp [F],PO4\n2025-03-01,143,400.78,1.0264,77,0.1\n"
                  "2025-03-02,143,,,,\n")  # fmt: skip
    seen = {r.parameter: (round(r.value, 2), r.unit) for r in log.readings}
    assert seen == {
        "alkalinity": (2.86, "mg/L CaCO3"),
        "calcium": (10.0, "mg/L"),
        "salinity": (35.04, "SG"),
        "temperature": (25.0, "F"),
        "phosphate": (0.0, "mg/L"),
    }


def test_semicolons_and_decimal_commas() -> None:
    """Spreadsheets of many countries separate by `;` and write decimal commas."""
    log, _ = read("time;entry;value\n2025-03-01;alkalinity;8,25\n2025-03-02;alkalinity;8.1\n")
    assert log.readings[0].value == pytest.approx(8.25 * DKH, 1e-5)
    log, _ = read("time\talkalinity [dKH]\n2025-03-01\t8,2\n2025-03-02\t8,1\n")
    assert log.readings[1].value == pytest.approx(8.1 * DKH, 1e-5)


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_byte_order_mark_blank_lines_and_line_ends(newline: str) -> None:
    """Row numbers count blank lines, as a spreadsheet shows them."""
    text = newline.join(["\ufeff", HEADER.strip(), "", *ENOUGH.split("\n")])
    log, _ = read(text)
    assert [reading.row for reading in log.readings] == [4, 5]


def test_quoted_note_with_separator_and_line_break() -> None:
    """A note may hold anything between quotation marks; rows are numbered by their first line."""
    log = log_of('2025-03-05,alkalinity,,8,,,"two, ""odd""\nlines"\n2025-03-06,flow,,600,,,\n')
    assert log.readings[-1].note == 'two, "odd"\nlines'
    assert log.actions[0].row == 6


def test_times_are_sorted_and_ties_keep_file_order() -> None:
    """A log may be kept newest first."""
    log, _ = read(
        HEADER + "2025-03-05 10:00,alkalinity,,8.2,,,\n2025-03-01 10:00,alkalinity,,8.0,,,\n"
        "2025-03-01 10:00,alkalinity,,7.9,,,\n"
    )
    assert [reading.row for reading in log.readings] == [3, 4, 2]
    assert (log.start.day, log.end.day) == (1, 5)


def test_bare_date_means_noon_and_is_counted() -> None:
    """The report says how many rows had no time of day."""
    log = log_of("2025-03-05T07:15:30.25,flow,,600,,,\n")
    assert log.readings[0].time == datetime(2025, 3, 1, 12)
    assert log.rows_without_time == 2
    assert log.actions[0].time == datetime(2025, 3, 5, 7, 15, 30, 250000)


def test_hours_of_a_clock_change_are_ordinary_times() -> None:
    """Wall clock 02:30 exists or repeats on such days; without a zone both rows are kept."""
    rows = "2025-03-30 02:30,flow,,600,,,\n2024-10-27 02:30,dose,,5,,,\n"
    assert {action.time.hour for action in log_of(rows).actions} == {2}


def test_one_zone_throughout_is_dropped() -> None:
    """Where each row has the same offset, its wall clock is the tank's own."""
    log, _ = read(
        "time,entry,value\n2025-03-01T10:00+02:00,alkalinity,8\n"
        "2025-03-02 10:00 +0200,alkalinity,8\n2025-03-03,alkalinity,8\n"
    )
    assert [reading.time.hour for reading in log.readings] == [10, 10, 12]
    assert all(reading.time.tzinfo is None for reading in log.readings)


def test_assumed_kit_is_added_to_the_tank() -> None:
    """A parameter without a declared kit gets one, marked as assumed."""
    tank = make_tank(
        TANK_FILE.replace("[kits.drops]", "[kits.other]")
        .replace('parameter = "alkalinity"', 'parameter = "nitrate"')
        .replace('unit = "dKH"\nstep = 0.3', 'unit = "mg/L"\nstep = 2')
    )
    log, with_kits = read(HEADER + ENOUGH, tank)
    kit = with_kits.kits["alkalinity test"]
    assert {reading.kit for reading in log.readings} == {"alkalinity test"}
    assert (kit.parameter, kit.unit, kit.assumed, kit.repeatability) == (
        "alkalinity", "dKH", True, None
    )  # fmt: skip
    assert "alkalinity test" not in tank.kits


def test_probe_readings_need_no_kit() -> None:
    """Salinity, temperature and pH come from probes unless a kit is declared."""
    log = log_of("2025-03-05,salinity,,35,,,\n2025-03-05,ph,,8.1,,,\n")
    assert [reading.kit for reading in log.readings[2:]] == ["", ""]


def test_sha256_is_that_of_the_bytes() -> None:
    """The report can prove which file it was made from."""
    text = HEADER + ENOUGH
    assert log_of("").sha256 == hashlib.sha256(text.encode()).hexdigest()


# --- what is kept, but flagged ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "flag"),
    [
        ("alkalinity,,28,,,", "outside 3 to 20 dKH, the plausible range for tank alkalinity"),
        ("calcium,,180,,,", "outside 250 to 650 mg/L"),
        ("temperature,,95,F,,", "outside 64.4 to 91.4 F"),
        ("flow,,9000,,,", "above the pump's largest flow, 3000 mL/h"),
        ("flow,,20,,,", "below the pump's smallest flow, 60 mL/h"),
        ("ph_setting,,3,,,", "outside pH 5.5 to 8.5"),
        ("dose,,0,,,", "zero changes nothing"),
        ("alkalinity,,8.0,,,again", ""),
        ("salinity,,1.033,SG,,", "outside 1.019 to 1.032 SG, the plausible range for tank"),
        ("salinity,,30,mS/cm,,", "outside 39.27 to 62.36 mS/cm"),
        ("phosphate,,2,,,", "outside 0 to 1 mg/L, the plausible range for tank phosphate"),
    ],
)
def test_odd_entries_are_kept_and_flagged(cells: str, flag: str) -> None:
    """What can be read is never dropped, however odd it looks."""
    log = log_of(f"2025-03-05,{cells}\n")
    record = log.actions[0] if log.actions else log.readings[-1]
    assert record.row == 4
    assert flag in " ".join(record.flags)
    assert bool(flag) == bool(record.flags)


def test_repeated_rows_are_kept_and_flagged() -> None:
    """A dose pasted twice may be real: both count, the second is flagged."""
    log = log_of(
        "2025-03-05 10:00,dose,,25,,,\n2025-03-05 10:00,dose,soda,25.0,mL,,again\n"
        "2025-03-02,alkalinity,tank,8,dKH,,\n2025-03-05 10:00,dose,,26,,,\n"
    )
    assert [action.flags for action in log.actions] == [(), ("same as row 4",), ()]
    assert [reading.flags for reading in log.readings] == [(), (), ("same as row 3",)]


def test_flagged_entries_that_say_the_same_stand_together() -> None:
    """Rows that repeat one another, and the doses of one row; another time stands alone."""
    log, _ = read(
        "time,entry,value,until\n2025-03-01,alk,8,\n2025-03-02,alk,8,\n2025-03-02,alk,8,\n"
        "2025-03-02,alk,8,\n2025-03-03,flow,9000,\n2025-03-04,flow,9000,\n"
        "2025-03-05,dose,0,2025-03-09\n"
    )
    assert [[record.row for record in group] for group in log.flagged] == [
        [4, 5],
        [6],
        [7],
        [8, 8, 8, 8, 8],
    ]


SMALL_TANK = (
    TANK_FILE.replace("620", "170")
    + """
[solutions.chloride]
calcium_chloride_dihydrate_g_per_l = 270
[targets.calcium]
low = 400
high = 450
"""
)
MUCH = "; check the unit (mL or L), the solution's strength and the water volume"
A_DAY = f" mg/L a day{MUCH}"


@pytest.mark.parametrize(
    ("cells", "flag"),
    [
        ("dose,soda,2,L", f"moves alkalinity by 62.7 dKH, more than 3 dKH a day{MUCH}"),
        ("dose,soda,2000,", f"moves alkalinity by 62.7 dKH, more than 3 dKH a day{MUCH}"),
        ("dose_rate,soda,100,", f"moves alkalinity by 3.13 dKH a day, more than 3 dKH a day{MUCH}"),
        ("dose,chloride,250,", f"moves calcium by 108 mg/L, more than 100 mg/L a day{MUCH}"),
        (
            "dose_rate,chloride,250,",
            f"moves calcium by 108 mg/L a day, more than 100 mg/L a day{MUCH}",
        ),
        ("dose,soda,95,", ""),
        ("dose_rate,soda,95,", ""),
        ("dose,chloride,230,", ""),
    ],
)
def test_a_dose_that_moves_the_tank_far_is_flagged(cells: str, flag: str) -> None:
    """A slip of unit, strength or volume shows as an addition that no tank needs: it is kept."""
    log, _ = read(HEADER + ENOUGH + f"2025-03-05,{cells},,\n", make_tank(SMALL_TANK))
    (action,) = log.actions
    assert action.flags == ((flag,) if flag else ())


def test_doses_of_one_day_count_together() -> None:
    """The dose that passes the limit is flagged, not each of that day nor one of the next."""
    log, _ = read(
        HEADER
        + ENOUGH
        + "2025-03-05 20:00,dose,soda,50,,,\n2025-03-05 08:00,dose,soda,60,,,\n"
        + "2025-03-05 23:00,dose,soda,5,,,\n2025-03-06 08:00,dose,soda,60,,,\n",
        make_tank(SMALL_TANK),
    )
    flags = {action.row: action.flags for action in log.actions}
    assert flags == {
        4: (
            f"with the day's other doses moves alkalinity by 3.45 dKH, more than 3 dKH a day{MUCH}",
        ),
        5: (),
        6: (),
        7: (),
    }


def test_a_limit_is_told_in_the_unit_of_the_band() -> None:
    """The keeper reads the flag in the unit that the tank file uses."""
    tank = SMALL_TANK.replace(
        'low = 7.6\nhigh = 8.8\nunit = "dKH"', 'low = 2.7\nhigh = 3.1\nunit = "meq/L"'
    )
    rows = "2025-03-01,alkalinity,,8,dKH,,\n2025-03-02,alkalinity,,8,dKH,,\n"
    log, _ = read(HEADER + rows + "2025-03-05,dose,soda,200,,,\n", make_tank(tank))
    assert (
        log.actions[0].flags[0].startswith("moves alkalinity by 2.24 meq/L, more than 1.07 meq/L")
    )


# --- a unit that was left out ----------------------------------------------------------------


def alkalinity_log(values: str, of: str = "", unit: str = "") -> str:
    """A log of one alkalinity reading a day."""
    rows = [
        f"2025-03-{day:02},alkalinity,{of},{v},{unit},," for day, v in enumerate(values.split(), 1)
    ]
    return HEADER + "\n".join(rows) + "\n"


def tank_in(unit: str) -> Tank:
    """A tank whose only alkalinity kit is in `unit`."""
    kit = f'unit = "{unit}"\nstep = 0.3'
    return make_tank(TANK_FILE.replace('unit = "dKH"\nstep = 0.3', kit))


@pytest.mark.parametrize(
    ("unit", "values", "rows", "converted"),
    [
        ("dKH", "8.1 143 8.0", {3}, "as mg/L CaCO3 it is 8.0 dKH"),
        ("dKH", "143 150 146", {2, 3, 4}, "as mg/L CaCO3 it is 8."),
        ("dKH", "2.8 2.9 2.7 4.5", {2, 3, 4, 5}, "as meq/L it is "),
        ("dKH", "3.5 3.4", {2, 3}, "as meq/L it is 9."),
        ("meq/L", "8.1 8.0 7.8", {2, 3, 4}, "as dKH it is 2."),
        ("meq/L", "2.8 143", {3}, "as mg/L CaCO3 it is 2.86 meq/L"),
        ("mmol/L", "8.1 8.0 3.0", {2, 3}, "as dKH it is 2."),
        ("mg/L CaCO3", "143 8.0", {3}, "as dKH it is 143 mg/L CaCO3"),
        ("mg/L CaCO3", "2.8 143", {2}, "as meq/L it is 140 mg/L CaCO3"),
        ("mg/L CaCO3", "5 143", {2}, "as dKH it is 89.2 mg/L CaCO3, as meq/L it is 250 mg/L CaCO3"),
    ],
)
def test_a_value_that_gives_its_unit_away_is_refused(
    unit: str, values: str, rows: set[int], converted: str
) -> None:
    """It would spoil the fit as it stands: each such row is listed with the value converted."""
    faults = faults_of(alkalinity_log(values), tank_in(unit))
    assert {int(fault.split("row ")[1].split(",")[0]) for fault in faults} == rows
    for fault in faults:
        assert " without a unit'; as " + unit in fault
        assert converted in fault
        assert "write the unit beside the value or, in square brackets, in the header" in fault


@pytest.mark.parametrize(
    ("unit", "values"),
    [
        ("dKH", "8.1 2.8 8.0"),  # one odd value among ordinary ones: a flag says so
        ("dKH", "8.1 3.5 5"),  # a starved tank exists
        ("dKH", "4.1 4.2"),
        ("dKH", "8.1 0"),
        ("dKH", "25 24"),  # an overdosed one too, and no other unit makes it usual
        ("meq/L", "2.8 8.1 2.9"),
        ("mg/L CaCO3", "143 60 150"),
    ],
)
def test_a_value_that_may_be_meant_is_kept(unit: str, values: str) -> None:
    """Only what can be nothing but another unit is refused."""
    log, _ = read(alkalinity_log(values), tank_in(unit))
    assert len(log.readings) == len(values.split())


def test_a_written_unit_is_believed() -> None:
    """Who writes the unit is not doubted: a starved tank is told by its unit."""
    assert len(read(alkalinity_log("3.1 3.0 2.8", unit="dKH"))[0].readings) == 3
    wide = "time,alkalinity [meq/L]\n2025-03-01,2.8\n2025-03-02,2.9\n"
    assert len(read(wide)[0].readings) == 2


def test_the_unit_of_the_band_is_doubted_too() -> None:
    """Without a kit the band's unit stands in, and a wide column may lack its unit."""
    tank = make_tank(TANK_FILE.split("[kits")[0])
    faults = faults_of("time,alkalinity\n2025-03-01,143\n2025-03-02,8\n", tank)
    assert faults == [
        "log.csv, row 2, alkalinity: found '143 without a unit'; as dKH, the unit of the "
        "alkalinity band, no tank has it; as mg/L CaCO3 it is 8.0 dKH; write the unit beside the "
        "value or, in square brackets, in the header"
    ]


def test_kits_are_judged_apart() -> None:
    """A second kit in meq/L does not hide behind the many readings of the first."""
    tank = make_tank(
        TANK_FILE + RICH_TANK_FILE.replace('"mg/L CaCO3"\nstep = 20', '"dKH"\nstep = 1')
    )
    rows = [
        f"2025-03-{day:02},alkalinity,,{v},,{kit},"
        for day, v, kit in [
            (1, 8.0, "drops"),
            (2, 8.1, "drops"),
            (3, 8.2, "drops"),
            (4, 2.8, "strips"),
            (5, 2.9, "strips"),
        ]
    ]
    faults = faults_of(HEADER + "\n".join(rows), tank)
    assert [fault.split(":")[0] for fault in faults] == [
        "log.csv, row 5, value",
        "log.csv, row 6, value",
    ]


@pytest.mark.parametrize(
    ("of", "value", "refused"),
    [
        ("effluent", "143", True),
        ("effluent", "85", False),
        ("effluent", "10.5", False),
        ("effluent", "2.2", True),
        ("new", "143", True),
        ("new", "0.5", False),
        ("standard", "143", True),
        ("standard", "2.8", False),
    ],
)
def test_other_water_is_judged_by_what_it_can_hold(of: str, value: str, refused: bool) -> None:
    """Effluent is never weaker than tanks are; weak water and thinned references are made."""
    text = (
        HEADER
        + ENOUGH
        + "".join(
            f"2025-03-0{day},alkalinity,{of},{level},,,\n"
            for day, level in ((4, value), (5, "20"), (6, "21"))
        )
    )
    if refused:
        (fault,) = faults_of(text)
        assert f"row 4, value: found '{value} without a unit'" in fault
    else:
        assert len(read(text)[0].readings) == 5


# --- a slip of the year ----------------------------------------------------------------------


def test_a_day_years_away_is_refused() -> None:
    """Both rows of a day with a slip in its year are listed, with what lies nearest."""
    rows = "2022-03-05 10:00,dose,,20,,,\n2022-03-05 18:00,alkalinity,,8,,,\n"
    faults = faults_of(HEADER + ENOUGH + rows)
    assert [fault.split(";")[0] for fault in faults] == [
        "log.csv, row 4, time: found '2022-03-05 10:00'",
        "log.csv, row 5, time: found '2022-03-05 18:00'",
    ]
    assert all("the nearest are row 2 (2025-03-01)" in fault for fault in faults)


def test_both_neighbours_of_a_lone_day_are_named() -> None:
    """A slip into the middle of a long pause is told with the entries on both sides."""
    rows = "2015-01-01,flow,,90,,,\n2015-01-09,flow,,90,,,\n2020-01-01,flow,,90,,,\n"
    (fault,) = faults_of(HEADER + ENOUGH + rows)
    assert "row 6, time" in fault
    assert "row 5 (2015-01-09) and row 2 (2025-03-01)" in fault


def test_even_several_days_decades_away_are_refused() -> None:
    """Thirty years without an entry are no pause, and a fit over them would take minutes."""
    rows = "1996-03-04,alkalinity,,8,,,\n1996-03-14,flow,,60,,,\n2025-03-03,flow,,60,,,\n"
    faults = faults_of(HEADER + ENOUGH + rows)
    assert [fault.split(":")[0] for fault in faults] == [
        "log.csv, row 4, time",
        "log.csv, row 5, time",
    ]


def test_a_long_pause_is_no_slip() -> None:
    """Years may lie between two parts of a log, and a lone day may be two years away."""
    rows = "2015-01-01,flow,,90,,,\n2015-01-09,flow,,90,,,\n2023-03-02,flow,,90,,,\n"
    assert log_of(rows).rows == 5


# --- what is refused -------------------------------------------------------------------------

BROKEN_FILES = [
    ("", ["log.csv: the file is empty"]),
    (" \n\n", ["log.csv: the file is empty"]),
    (HEADER, ["log.csv: the log has no entries"]),
    ("time,alkalinity\n2025-03-01,\n", ["the log has no entries"]),
    (HEADER + "2025-03-01,flow,,5,,,\n", ["found 'none'", "at least two alkalinity readings"]),
    (HEADER + "2025-03-01,alkalinity,,8,,,\n", ["readings at one time only", "test the tank"]),
    (HEADER + "2025-03-01,alkalinity,,8,,,\n" * 2, ["readings at one time only"]),
    ("time,entri,value\n" + ENOUGH, ["row 1: found 'entri'", "did you mean entry?", "lacks entry"]),
    ("time,entry\n2025-03-01,flow\n", ["row 1: found 'time,entry'; the header lacks value"]),
    ("2025-03-01,alkalinity,8\n", ["the header lacks time, entry, value"]),
    ("time,time,entry,value\n", ["row 1: found 'time'; the same column stands twice"]),
    ("date,time,calcium\n", ["row 1: found 'time'; the same column stands twice"]),
    ("time,alkalinity (dKH)\n", ["row 1: found 'alkalinity (dKH)'", "square brackets"]),
    ("time,alkalinity [mg]\n2025-03-01,8\n", ["unknown unit for alkalinity", "mg/L CaCO3"]),
    ("time,note [x],calcium\n2025-03-01,a,8\n", ["found 'note [x]'; note has no unit"]),
    ("time,alkalinity,silicate\n", ["row 1: found 'silicate'; unknown column"]),
    ('time,"entry,value\n', ["row 1: a quotation mark in the header is never closed"]),
    (HEADER + '2025-03-01,alkalinity,,8,,,"note\n' + ENOUGH, ["row 2: a quotation mark"]),
    (HEADER + ENOUGH + '"', ["row 4: a quotation mark opened in this row is never closed"]),
    (HEADER + ENOUGH + ',,,,,,"\n\n\n', ["row 4: a quotation mark opened in this row"]),
    (
        HEADER + '2025-03-01,alkalinity,,8,,,"note\n' + ENOUGH + '2025-03-05,flow,,600,,,"hm"\n',
        ["row 2, note", "closed only in a later row"],
    ),
    (HEADER + "2025-03-01,alkalinity,,8,,,a,,b\n", ["row 2: found 'b'; the row has more fields"]),
    (HEADER + "2025-03-01,flow,,5,,,\n" + "x," * 40, ["row 3: found '41 fields'"]),
    ("time,entry,value\n2025-03-01,alkalinity,8,2\n", ["row 2: found '2'; the row has more"]),
    ("x," * 150, ["151 columns", "at most 100"]),
    (HEADER + "\n" * 100_001, ["at most 100000 rows"]),
    (HEADER.encode("utf-16"), ["log.csv: the text is UTF-16"]),
    (HEADER.encode("utf-16-le"), ["row 1: found 'a zero byte'"]),
    (HEADER.encode() + b"\n\xe9", ["row 3: found 'byte 0xe9'; the text must be UTF-8"]),
    (b"PK\x03\x04\x00\x00", ["this is not a text file"]),
]

BROKEN_ROWS = [
    ("3/4/2025,flow,,5,,,", ["row 4, time: found '3/4/2025'; write ISO 8601"]),
    ("3.4.2025 10:00,flow,,5,,,", ["found '3.4.2025 10:00'; write ISO 8601"]),
    ("20250304,flow,,5,,,", ["write ISO 8601"]),
    ("2025-03-04 9:30,flow,,5,,,", ["write ISO 8601", "an hour has two digits", "or am or pm"]),
    (",flow,,5,,,", ["row 4, time: found 'a blank'; write ISO 8601"]),
    ("2025-02-30,flow,,5,,,", ["found '2025-02-30'; there is no such time"]),
    ("2025-03-04 24:00,flow,,5,,,", ["there is no such time"]),
    ("1989-12-31,flow,,5,,,", ["must not be before 1990-01-01"]),
    ("2025-06-02 09:01,flow,,5,,,", ["lies in the future"]),
    ("2025-03-04,alkalinty,,8,,,", ["row 4, entry", "did you mean alkalinity?"]),
    ("2025-03-04,,,8,,,", ["row 4, entry: found 'a blank'; unknown entry"]),
    ("2025-03-04,alkalinity,,,,,", ["row 4, value: found 'a blank'; alkalinity needs a value"]),
    ("2025-03-04,alkalinity", ["row 4, value: found 'a blank'"]),
    ("2025-03-04,alkalinity,,8.2 dKH,,,", ["row 4, value: found '8.2 dKH'; write one plain"]),
    ("2025-03-04,alkalinity,,nan,,,", ["write one plain number"]),
    ("2025-03-04,alkalinity,,inf,,,", ["write one plain number"]),
    ("2025-03-04,alkalinity,,1e999,,,", ["write one plain number"]),
    ("2025-03-04,alkalinity,,0x8,,,", ["write one plain number"]),
    ("2025-03-04,alkalinity,,1_0,,,", ["write one plain number"]),
    ("2025-03-04,alkalinity,,٨,,,", ["write one plain number"]),
    ("2025-03-04,alkalinity,,<8,,,", ["write one plain number"]),
    ('2025-03-04,magnesium,,"1,300",,,', ["found '1,300'; may be thousands or decimals"]),
    ('2025-03-04,alkalinity,,"8,2",,,', ["found '8,2'; write a decimal point"]),
    ("2025-03-04,alkalinity,,-8,,,", ["found '-8'; alkalinity may not be negative"]),
    ("2025-03-04,dose,,-8,,,", ["dose may not be negative"]),
    ("2025-03-04,co2_change,,1e308,kg,,", ["found '1e+308 kg'; is too large to be meant"]),
    ("2025-03-04,alkalinity,,301,dKH,,", ["found '301 dKH'; alkalinity must be 0 to 300 dKH"]),
    ("2025-03-04,alkalinity,,1301,,,", ["found '1301 dKH'; alkalinity must be 0 to 300 dKH"]),
    ("2025-03-04,calcium,,5001,,,", ["calcium must be 0 to 5000 mg/L"]),
    ("2025-03-04,ph,,14.5,,,", ["ph must be 0 to 14"]),
    ("2025-03-04,ph_setting,,15,,,", ["a pH lies between 0 and 14"]),
    ("2025-03-04,water_change,,620,,,", ["found '620 L'; must be less than the tank's 620 L"]),
    ("2025-03-04,alkalinity,,8,mg/L,,", ["row 4, unit: found 'mg/L'; unknown unit", "meq/L"]),
    ("2025-03-04,flow,,8,gal,,", ["row 4, unit", "mL/h, mL/min, L/day"]),
    ("2025-03-04,dose,,1,gal,,", ["row 4, unit", "mL, L"]),
    ("2025-03-04,dKH,,2.9,meq/L,,", ["found 'meq/L'; the entry dKH is in dKH; write alkalinity"]),
    ("2025-03-04,salinity,,0.99,SG,,", ["found '0.99 SG'; salinity must be 1 to 1.1"]),
    ("2025-03-04,salinity,,35,SG,,", ["found '35 SG'; salinity must be 1 to 1.1"]),
    (
        "2025-03-04,salinity,,1.026,,,",
        ["found '1.026 without a unit'", "no salt water has it; as SG it is 34.5 g/kg; write"],
    ),
    ("2025-03-04,phosphate,,60,,,", ["phosphate must be 0 to 50 mg/L"]),
    ("2025-03-04,stock_change,,,kg,,", ["stock_change has no unit"]),
    ("2025-03-04,stock_change,,3,,,", ["stock_change has no value"]),
    ("2025-03-04,stock_change,coral,,,,", ["row 4, of: found 'coral'", "leave it blank"]),
    ("2025-03-04,flow,pump,8,,,", ["is for the reactor; leave it blank"]),
    ("2025-03-04,alkalinity,efluent,8,,,", ["row 4, of", "did you mean effluent?", "standard"]),
    ("2025-03-04,temperature,effluent,25,,,", ["temperature is not read there; Accepted: tank"]),
    ("2025-03-04,alkalinity,chamber,8,,,", ["alkalinity is not read there"]),
    ("2025-03-04,dose,sodda,8,,,", ["row 4, of", "did you mean soda?"]),
    ("2025-03-04,alkalinity,,8,,strips,", ["row 4, kit: found 'strips'", "declares no such kit"]),
    ("2025-03-04,calcium,,420,,drops,", ["that kit tests alkalinity, not calcium"]),
    ("2025-03-04,dose,,8,,drops,", ["dose uses no kit"]),
    ("2025-03-04,new_bottle,soda,,,drops,", ["the kit column says drops; name one kit"]),
    (
        "2025-03-04 10:00Z,flow,,8,,,\n2025-03-04 10:00,flow,,8,,,",
        ["row 4, time", "without a zone"],
    ),
    (
        "2025-03-04 10:00+01:00,flow,,8,,,\n2025-04-04 10:00+02:00,flow,,8,,,",
        ["row 4, time: found '2025-03-04 10:00+01:00'; write the tank's own", "row 5, time"],
    ),
]


@pytest.mark.parametrize(("text", "fragments"), BROKEN_FILES)
def test_broken_file_is_named(text: str | bytes, fragments: list[str]) -> None:
    """A file that is no log says so, and says what to do."""
    message = "\n".join(faults_of(text))
    for fragment in fragments:
        assert fragment in message


@pytest.mark.parametrize(("rows", "fragments"), BROKEN_ROWS)
def test_broken_row_is_named(rows: str, fragments: list[str]) -> None:
    """Row number, column, what was found and what is accepted: all four, and nothing else."""
    faults = faults_of(HEADER + ENOUGH + rows + "\n")
    message = "\n".join(faults)
    for fragment in fragments:
        assert fragment in message
    assert len(faults) == 1 + sum(fragment.startswith("row 5") for fragment in fragments)


@pytest.mark.parametrize(
    ("text", "fragment"),
    [
        ("time;entry;value\n2025-03-01;alkalinity;1.234,5\n", "plain number"),
        ("time;entry;value\n2025-03-01;magnesium;1.300\n2025-03-02;alkalinity;8,1\n", "thousands"),
        ("time;entry;value\n2025-03-01;magnesium;1,300,000\n", "thousands"),
        ("time\tentry\tvalue\n2025-03-01\tmagnesium\t1,300\n", "thousands"),
    ],
)
def test_a_mark_that_may_mean_thousands_is_never_guessed(text: str, fragment: str) -> None:
    """A factor of a thousand must not slip in unseen."""
    assert any(fragment in fault for fault in faults_of(text))


@pytest.mark.parametrize(
    ("cells", "fragment"),
    [
        ("alkalinity,,8,,,", "several kits for alkalinity (drops, strips)"),
        ("dose,,8,,,", "name the solution of this dose; Accepted: soda, chloride"),
        ("water_change,,8,,,", "name the water of this water_change; Accepted: new, old"),
        ("new_bottle,,,,,", "name the kit of this new_bottle; Accepted: drops, strips, ca-drops"),
    ],
)
def test_a_blank_with_several_meanings_lists_them(cells: str, fragment: str) -> None:
    """Where the tank file declares several, the log must say which."""
    (fault,) = faults_of(HEADER + f"2025-03-04,{cells}\n", make_tank(TANK_FILE + RICH_TANK_FILE))
    assert fragment in fault


def test_what_every_row_leaves_open_is_told_once() -> None:
    """Eleven tests that name none of two kits are one thing to mend, and every row is named."""
    rows = "".join(f"2025-03-{day:02},alkalinity,,8,,,\n" for day in range(1, 12))
    rows += "2025-03-20,dose,,8,,,\n2025-03-21,alkalinity,,8,,,\n"
    text = HEADER + rows
    kits, solution = faults_of(text, make_tank(TANK_FILE + RICH_TANK_FILE))
    assert kits.startswith("log.csv, row 2, kit: found 'a blank'; the tank file declares several")
    assert kits.endswith("; so in 12 rows: 2 to 12, 14")
    assert solution.startswith("log.csv, row 13, of:")
    assert "so in" not in solution


@pytest.mark.parametrize(
    ("cells", "fragment"),
    [
        ("flow,,8,,,", "the tank file has no [reactor] table"),
        ("media_change,,,,,", "the tank file has no [reactor] table"),
        ("co2_change,,,,,", "the tank file has no [reactor] table"),
        ("dose,,8,,,", "declares no solution; add a [solutions.NAME] table"),
        ("water_change,new,8,,,", "declares no water; add a [water.NAME] table"),
        ("new_bottle,,,,,", "declares no kit; add a [kits.NAME] table"),
    ],
)
def test_what_the_tank_file_lacks_is_named(cells: str, fragment: str) -> None:
    """The remedy names the table to add."""
    bare = make_tank(TANK_FILE.split("[kits")[0])
    (fault,) = faults_of(HEADER + f"2025-03-04,{cells}\n", bare)
    assert fragment in fault


def test_all_faults_come_at_once_in_file_order() -> None:
    """The keeper mends the log in one go, several columns of one row included."""
    text = HEADER + "x,alkalinity,pond,y,z,k,\n" + ENOUGH + "2025-03-04,dose,,-1,,,\n"
    faults = faults_of(text)
    assert [fault.split(":")[0] for fault in faults] == [
        "log.csv, row 2, time",
        "log.csv, row 2, value",
        "log.csv, row 2, unit",
        "log.csv, row 2, of",
        "log.csv, row 2, kit",
        "log.csv, row 5, value",
    ]


def test_text_from_the_file_is_cut_and_printable() -> None:
    """A hostile cell cannot clear the screen or flood it."""
    (fault,) = faults_of(HEADER + "2025-03-04,\x1b[2J\u202e" + "x" * 900 + ",,8,,,\n")
    assert fault.isprintable()
    assert len(fault) < 400


# --- both files ------------------------------------------------------------------------------


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    """A good log and a good tank file on disk."""
    log_path, tank_path = tmp_path / "log.csv", tmp_path / "tank.toml"
    log_path.write_text(HEADER + ENOUGH, encoding="utf-8")
    tank_path.write_text(TANK_FILE, encoding="utf-8")
    return log_path, tank_path


def test_read_inputs_reads_both(files: tuple[Path, Path]) -> None:
    """One call gives the log, the tank with any assumed kits, and both digests."""
    inputs = read_inputs(*files, NOW)
    assert len(inputs.log.readings) == 2
    assert inputs.tank_sha256 == hashlib.sha256(TANK_FILE.encode()).hexdigest()


def test_a_bad_tank_does_not_hide_a_bad_log(files: tuple[Path, Path]) -> None:
    """Both files can be mended in one go; names are not checked against a broken tank."""
    log_path, tank_path = files
    tank_path.write_text(TANK_FILE.replace("620", "-1"), encoding="utf-8")
    log_path.write_text(HEADER + "x,dose,nobody,8,,,\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_inputs(log_path, tank_path, NOW)
    assert [fault.column for fault in caught.value.faults] == ["tank.water_volume_l", "time"]


def test_two_missing_files_are_both_named(tmp_path: Path) -> None:
    """A wrong path ends in a message, not in a traceback."""
    with pytest.raises(InputError) as caught:
        read_inputs(tmp_path / "log.csv", tmp_path / "tank.toml", NOW)
    assert len(caught.value.faults) == 2


def test_huge_file_is_refused_before_it_is_read(tmp_path: Path) -> None:
    """50 MB get an answer at once that names the size and the limit."""
    path = tmp_path / "log.csv"
    with path.open("wb") as handle:
        handle.truncate(50_000_000)
    began = time.perf_counter()
    with pytest.raises(InputError, match=r"found '50\.0 MB'.* at most 20 MB"):
        read_log(path, make_tank(), now=NOW)
    assert time.perf_counter() - began < 1


def test_slow_libraries_are_not_imported_for_nothing() -> None:
    """`--help` and the import of the module stay fast; no sampler is ever needed here."""
    code = (
        "import sys, estimator.inputs.read;"
        "print(sorted({'pandas', 'pymc', 'arviz', 'numba', 'scipy'} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


# --- no row is lost -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "where"),
    [
        # The note comes first, so the swallowed row is the one in which it opens.
        ('note,time,entry,value\n"calm,2025-03-01,alkalinity,8\nx",2025-03-02,flow,60\n', "row 2"),
        # Dates of any form, in long and in wide form.
        (HEADER + '2025-03-01,flow,,60,,,"calm\n3/4/2025,flow,,60,,,windy"\n', "row 2, note"),
        ('time,ph,note\n2025-03-01,8,"calm\n3.4.25,8.1,windy"\n', "row 2, note"),
        ('time;ph;note\n2025-03-01;8;"calm\nin March;8,1;windy"\n', "row 2, note"),
        (HEADER + '2025-03-01,flow,,60,,,"calm\nMarch,stock_change,,,,,odd"\n', "row 2, note"),
        (HEADER + '2025-03-01,flow,"\n2025-03-02,flow,,60",,\n', "row 2, of"),
    ],
)
def test_rows_inside_a_quoted_cell_are_a_fault(text: str, where: str) -> None:
    """A stray quotation mark must not hide the rows up to the next one."""
    faults = faults_of(text)
    assert any(where in fault and "closed only in a later row" in fault for fault in faults)


@pytest.mark.parametrize(
    "note", ["first\nsecond", "a, b, c\nd", "next: March 5\nat noon, or so", "alk, ca, mg\nfine"]
)
def test_a_note_of_several_lines_is_no_row(note: str) -> None:
    """Line breaks and separators in a note are the keeper's own."""
    assert log_of(f'2025-03-05,flow,,600,,,"{note}"\n').actions[0].note == note


@pytest.mark.parametrize("cell", ['"8"4', '"8".4', '"8" 4', '""8"'])
def test_text_after_a_closing_quotation_mark_is_a_fault(cell: str) -> None:
    """Two halves of a cell are never joined into a number that nobody wrote."""
    (fault,) = [f for f in faults_of(HEADER + ENOUGH + f"2025-03-04,alkalinity,,{cell},,,\n")
                if "after a closing" in f]  # fmt: skip
    assert f"row 4: found {cell!r}" in fault


def test_a_wide_row_without_a_reading_is_kept_and_listed() -> None:
    """A day with a note only, or none, is told of; its date may lie ahead."""
    log, _ = read(
        "time,alkalinity [dKH],note\n2025-03-01,8,\n2025-03-02,,no test\n2025-03-03,8,\n"
        "2025-09-01,,\n"
    )
    assert log.rows_without_entry == (3, 5)
    assert log.rows == 4


@pytest.mark.parametrize("row", ["2025-02-30,,", "2025-02-30,,a note", ",,a note", "March,,"])
def test_a_wide_row_with_an_impossible_date_is_a_fault(row: str) -> None:
    """Even where nothing was tested: who mistypes a date may have mistyped the reading away."""
    (fault,) = faults_of(f"time,alkalinity [dKH],note\n2025-03-01,8,\n2025-03-02,8,\n{row}\n")
    assert "row 4, time" in fault


def test_rows_are_numbered_by_line() -> None:
    """After a note of three lines the number still leads a text editor to the row."""
    fault = faults_of(HEADER + '2025-03-01,flow,,60,,,"a\nb\nc"\n2025-03-02,flow,,x,,,\n')[0]
    assert "row 5, value: found 'x'" in fault


@pytest.mark.parametrize(
    ("cells", "named"),
    [
        ("alkalinity,,8\u200b.1", "U+200B, zero width space"),
        ("alkalinity,,8\u00a0.1", "U+00A0, no-break space"),
        ("alkalinity,,\u202e8.1", "U+202E, right-to-left override"),
        ("alka\u00adlinity,,8.1", "U+00AD, soft hyphen"),
    ],
)
def test_an_invisible_character_is_named(cells: str, named: str) -> None:
    """A cell that looks right on the screen says what is wrong with it."""
    (fault,) = faults_of(HEADER + ENOUGH + f"2025-03-04,{cells},,,\n")
    assert f"it holds an invisible character ({named}): type it anew" in fault
    assert fault.isprintable()


# --- dates as keepers write them -----------------------------------------------------------------

DAY_FIRST = make_tank(TANK_FILE + '[log]\ndates = "day first"\n')
MONTH_FIRST = make_tank(TANK_FILE + '[log]\ndates = "Month first"\n')


def times_of(cells: str, tank: Tank | None = None, header: str = "time") -> list[datetime]:
    """Times of the readings of a log that are written as given, separated by `;`."""
    rows = "".join(f"{cell},8.1\n" for cell in cells.split(";"))
    log, _ = read(f"{header},alkalinity [dKH]\n2024-01-01,8.1\n2024-01-02,8.1\n{rows}", tank)
    return [reading.time for reading in log.readings[2:]]


@pytest.mark.parametrize(
    ("cell", "hour", "minute"),
    [
        ("2025-03-04 6:30 pm", 18, 30),
        ("2025-03-04 06:30PM", 18, 30),
        ("2025-03-04 6 p.m.", 18, 0),
        ("2025-03-04 12:05 am", 0, 5),
        ("2025-03-04 12 pm", 12, 0),
        ("2025-03-04T11:59:59am", 11, 59),
    ],
)
def test_am_and_pm(cell: str, hour: int, minute: int) -> None:
    """Noon is 12 pm and midnight 12 am; an hour of one digit is clear then."""
    (time,) = times_of(cell)
    assert (time.day, time.hour, time.minute) == (4, hour, minute)


@pytest.mark.parametrize("cell", ["2025-03-04 18:30 pm", "2025-03-04 0:30 am", "2025-03-04 13 pm"])
def test_an_hour_that_no_half_day_has_is_a_fault(cell: str) -> None:
    """Which of the two is meant is not guessed."""
    (fault,) = faults_of(HEADER + ENOUGH + f"{cell},flow,,600,,,\n")
    assert "hours with am and pm run from 1 to 12" in fault


@pytest.mark.parametrize(
    ("tank", "header", "month"),
    [
        (DAY_FIRST, "time", 4),
        (MONTH_FIRST, "time", 3),
        (None, "time [day first]", 4),
        (None, "Date [DD/MM/YYYY]", 4),
        (None, "date [m/d/yy]", 3),
        (MONTH_FIRST, "time [month first]", 3),
    ],
)
def test_the_tank_file_or_the_header_says_how_dates_begin(
    tank: Tank | None, header: str, month: int
) -> None:
    """3/4 is the third of April to some keepers and the fourth of March to others."""
    for cell in ("3/4/2025", "03.04.2025 9:30", "3-4-2025 9:30 am"):
        (time,) = times_of(cell, tank, header)
        assert (time.month, time.day) == (month, 7 - month)


def test_dates_that_show_their_order_show_that_of_the_others() -> None:
    """25/03 can only be a day of March, so a log that holds it has its days first."""
    assert [time.month for time in times_of("3/4/2025;25/03/2025 18:00")] == [3, 4]
    assert [time.month for time in times_of("3/4/2025;03/25/2025 18:00")] == [3, 3]
    # There is a twelfth month, and no thirteenth.
    assert [time.month for time in times_of("3/4/2025;13/5/2025")] == [4, 5]
    assert [time.month for time in times_of("3/4/2025;5/13/2025")] == [3, 5]
    assert times_of("5/5/2025") == [datetime(2025, 5, 5, 12)]
    log, _ = read("time,alkalinity [dKH]\n25/3/2025,8\n3/4/2025,8\n")
    assert log.date_order == "day first"


def test_dates_of_unclear_order_are_told_once() -> None:
    """Eleven such rows are one thing to mend; ISO dates among them are read."""
    rows = "".join(f"{day}/4/2025,flow,,600,,,\n" for day in (1, 2, 3, 5, 6))
    (fault,) = faults_of(HEADER + ENOUGH + rows)
    assert fault.startswith("log.csv, row 4, time: found '1/4/2025'; write ISO 8601")
    assert 'dates = "day first" (or "month first") below [log] in the tank file' in fault
    assert fault.endswith("; so in 5 rows: 4 to 8")


def test_dates_that_contradict_each_other_are_told() -> None:
    """Two habits in one log leave all its dates unclear."""
    (fault,) = faults_of(HEADER + ENOUGH + "25/4/2025,flow,,6,,,\n4/25/2025,flow,,6,,,\n")
    assert "some of this log can only begin with the day, others only with the month" in fault
    assert fault.endswith("so in 2 rows: 4 to 5")


def test_a_stated_order_holds_for_every_date() -> None:
    """A day that it does not allow is a fault, not an exception."""
    (fault,) = faults_of(HEADER + ENOUGH + "4/25/2025,flow,,6,,,\n", DAY_FIRST)
    assert "row 4, time: found '4/25/2025'; there is no such time" in fault
    (fault,) = faults_of("time [month first],ph\n2025-03-01,8\n", DAY_FIRST)[:1]
    assert "row 1, time: found 'month first'; the tank file says day first" in fault


def test_a_broken_tank_file_is_not_asked_about_dates(tmp_path: Path) -> None:
    """It may state them in the very line that is broken."""
    (tmp_path / "tank.toml").write_text(TANK_FILE + "[log]\ndates = 1\n")
    (tmp_path / "log.csv").write_text(HEADER + ENOUGH + "3/4/2025,flow,,x,,,\n")
    with pytest.raises(InputError) as caught:
        read_inputs(tmp_path / "log.csv", tmp_path / "tank.toml", NOW)
    assert [fault.column for fault in caught.value.faults] == ["log.dates", "value"]


# --- a dose by hand, day by day, and the wide form of actions ------------------------------------

LONG = "time,entry,of,value,unit,note,until\n2025-03-01,alk,,8,,,\n2025-03-02,alk,,8,,,\n"


def test_a_dose_may_be_repeated_until_a_day() -> None:
    """One row writes a routine: the same dose at the same time, the last day included."""
    log, _ = read(LONG + "2025-03-05 21:30,dose,soda,20,mL,by hand,2025-03-08\n")
    assert [action.time for action in log.actions] == [
        datetime(2025, 3, day, 21, 30) for day in (5, 6, 7, 8)
    ]
    assert {(a.kind, a.of, a.value, a.row, a.note) for a in log.actions} == {
        ("dose", "soda", 20.0, 4, "by hand")
    }
    assert (log.rows, log.end) == (3, datetime(2025, 3, 8, 21, 30))
    log, _ = read(LONG + "2025-03-05 21:30,dose,soda,20,,,2025-03-08 12:00\n")
    assert len(log.actions) == 3
    log, _ = read(LONG + "2025-03-05,dose,soda,20,,,2025-03-05\n")
    assert len(log.actions) == 1


@pytest.mark.parametrize(
    ("row", "fragment"),
    [
        ("2025-03-05,dose,,20,,,2025-03-04", "found '2025-03-04'; must not lie before the time"),
        ("2025-03-05,dose,,20,,,2026-03-04", "found '2026-03-04'; lies in the future"),
        ("2025-03-05,dose,,20,,,soon", "found 'soon'; write ISO 8601"),
        ("2025-03-05,flow,,20,,,2025-03-08", "only dose may be repeated; leave it blank"),
        ("2025-03-05,dose,,20,,,3/4/2025", "found '3/4/2025'; write ISO 8601"),
    ],
)
def test_an_until_that_cannot_be_is_a_fault(row: str, fragment: str) -> None:
    """It keeps the rules of times, and only a dose has one."""
    (fault,) = faults_of(LONG + row + "\n")
    assert fault.startswith("log.csv, row 4, until:")
    assert fragment in fault


def test_repeats_are_limited() -> None:
    """Rows that would write millions of doses are refused at once."""
    began = time.perf_counter()
    faults = faults_of(LONG + "1990-01-01,dose,,1,,,2025-03-04\n" * 400)
    assert time.perf_counter() - began < 5
    assert any("a log may repeat entries at most 20000 times in all" in f for f in faults)


def test_wide_form_of_actions() -> None:
    """Any entry with a value may be a column; what it is of stands behind a colon."""
    log, _ = read(
        "date,KH [dKH],kit:alk,alkalinity:effluent [meq/L],dose:soda [mL],dose:chloride,"
        "water_change:new [gal],flow [mL/min],Ca\n"
        "2025-03-01 09:00,8,drops,9.2,20,,,10,420\n"
        "2025-03-02 09:00,143,STRIPS,,,15,10,,\n".replace("143", "8"),
        make_tank(TANK_FILE + RICH_TANK_FILE),
    )
    assert [(r.parameter, r.sample, r.kit) for r in log.readings] == [
        ("alkalinity", "tank", "drops"),
        ("alkalinity", "effluent", "drops"),
        ("calcium", "tank", "ca-drops"),
        ("alkalinity", "tank", "strips"),
    ]
    assert log.readings[1].value == pytest.approx(9.2)
    assert [(a.row, a.kind, a.of, round(a.value or 0, 2)) for a in log.actions] == [
        (2, "dose", "soda", 20.0),
        (2, "flow", "", 600.0),
        (3, "dose", "chloride", 15.0),
        (3, "water_change", "new", 37.85),
    ]


@pytest.mark.parametrize(
    ("header", "fragment"),
    [
        ("time,dKH [meq/L]", "found 'dKH [meq/L]'; dKH is in dKH; write alkalinity [meq/L]"),
        ("time,alk,KH", "found 'KH'; the same column stands twice"),
        ("time,dose:soda,Dose:SODA [mL]", "the same column stands twice"),
        ("time,alk,kit,ca", "found 'kit'; say which test the kit is for, as kit:alkalinity"),
        ("time,alk,kit:dose", "only an entry of the wide form, or kit, may have a name behind"),
        ("time,alk,stock_change", "found 'stock_change'; unknown column"),
        ("time,alk,until", "found 'until'; unknown column"),
        ("time:new,alk", "only an entry of the wide form, or kit, may have a name behind"),
        ("time [UTC],alk", "found 'time [UTC]'; in brackets only day first or month first"),
    ],
)
def test_a_header_of_the_wide_form_that_is_unclear(header: str, fragment: str) -> None:
    """Each column has one meaning, or a fault says which it may have."""
    faults = faults_of(f"{header}\n2025-03-01,8\n2025-03-02,8\n")
    assert any(fragment in fault for fault in faults), faults


def test_an_unknown_solution_in_a_header_is_named_in_its_rows() -> None:
    """The tank file declares which solutions there are."""
    (fault,) = faults_of("time,alk,dose:sodda\n2025-03-01,8,\n2025-03-02,8,5\n")
    assert "row 3, of: found 'sodda'; name the solution of this dose; did you mean soda?" in fault
