"""Broken logs and tanks, each with the message that it must get.

A case states what is wrong with one of two otherwise good files, and where and how the message
must say so. Rows 2 and 3 of a log are good, so a row added to it is row 4.
"""

from __future__ import annotations

import codecs
from typing import NamedTuple

from helpers.tanks import TANK_FILE

HEADER = "time,entry,of,value,unit,kit,note\n"
LOG = HEADER + "2025-03-01,alkalinity,,8.4,,,\n2025-03-03 18:00,alkalinity,,8.1,,,\n"
TANK = TANK_FILE


class Case(NamedTuple):
    """One pair of files and what the message says.

    Attributes:
        name: what is wrong, in words.
        where: file, row and column, as the message begins.
        found: what stands there, as the message quotes it; "" where it quotes nothing.
        rule: a part of the rule and remedy.
        log, tank: the files.
    """

    name: str
    where: str
    found: str
    rule: str
    log: str | bytes = LOG
    tank: str | bytes = TANK


def row(name: str, text: str, column: str, found: str, rule: str) -> Case:
    """A good log with one bad row after it."""
    return Case(name, f"log.csv, row 4, {column}:", found, rule, log=f"{LOG}{text}\n")


def log(name: str, text: str | bytes, found: str, rule: str, line: int = 0) -> Case:
    """A file that is no log; `line` is the row named, 0 for the whole file."""
    where = f"log.csv, row {line}:" if line else "log.csv:"
    return Case(name, where, found, rule, log=text)


def tank(name: str, key: str, old: str, new: str, found: str, rule: str) -> Case:
    """A good tank file with `old` replaced by `new`; `key` is the dotted key at fault."""
    assert TANK.count(old) == 1, f"{name}: {old!r} stands {TANK.count(old)} times"
    return Case(name, f"tank.toml, {key}:", found, rule, tank=TANK.replace(old, new))


def toml(name: str, text: str | bytes, found: str, rule: str, line: int = 0) -> Case:
    """A file that is no tank file."""
    where = f"tank.toml, row {line}:" if line else "tank.toml:"
    return Case(name, where, found, rule, tank=text)


def shorter(text: str) -> str:
    """Long text as a message quotes it."""
    return text[:59] + "…"


NUMBER = "write one plain number such as 8.2"
ISO = "write ISO 8601, for example 2025-03-04 18:30"
PLAIN = "write a plain number, without quotation marks"
FUTURE = "lies in the future"
WIDE_TEXT = "the text is UTF-16 or UTF-32; save it again as UTF-8"
ZERO_BYTE = "this is not a text file (or it is UTF-16); save it again as UTF-8 text"

WHOLE_LOGS = [
    log("empty file", b"", "", "the file is empty; it needs a header row"),
    log("blanks only", " \t\n\n \n", "", "the file is empty; it needs a header row"),
    log("byte-order mark only", codecs.BOM_UTF8, "", "the file is empty"),
    log("header only", HEADER, "", "the log has no entries; it needs one row"),
    log("wide header only", "time,alkalinity [dKH]\n", "", "the log has no entries"),
    log(
        "one reading",
        HEADER + "2025-03-01,alkalinity,,8.4,,,\n",
        "readings at one time only",
        "at least two alkalinity readings of the tank at different times are needed",
    ),
    log(
        "actions only",
        HEADER + "2025-03-01,dose,,20,,,\n",
        "none",
        "at least two alkalinity readings of the tank at different times are needed",
    ),
    log(
        "one reading pasted many times",
        HEADER + "2025-03-01,alkalinity,,8.4,,,\n" * 30,
        "readings at one time only",
        "test the tank again and add a row",
    ),
    log("UTF-16", LOG.encode("utf-16"), "", WIDE_TEXT),
    log("UTF-16 without a mark", LOG.encode("utf-16-le"), "a zero byte", ZERO_BYTE, 1),
    log("UTF-32", LOG.encode("utf-32"), "", WIDE_TEXT),
    log("Latin-1", LOG.encode() + b"caf\xe9\n", "byte 0xe9", "the text must be UTF-8", 4),
    log("NUL in a cell", LOG.encode() + b"2025-03-04,flow,,\x00,,,\n", "a zero byte", ZERO_BYTE, 4),
    log("binary junk", bytes(range(253, 0, -1)) * 50, "byte 0xfd", "the text must be UTF-8", 1),
    log("an archive", b"PK\x03\x04\x14\x00\x06\x00", "a zero byte", ZERO_BYTE, 1),
    log("half of a character", LOG.encode() + "é".encode()[:1], "byte 0xc3", "must be UTF-8", 4),
    log("a surrogate", LOG.encode() + b"\xed\xa0\x80", "byte 0xed", "must be UTF-8", 4),
    log(
        "a million columns",
        "x," * 1_000_000 + "\n",
        "1000001 columns",
        "at most 100 columns; check that it is the right file",
    ),
    log(
        "too many rows",
        HEADER + "2025-03-01,alkalinity,,8.4,,,\n" * 100_001,
        "100002 rows",
        "at most 100000 rows; thin out probe readings or split it",
    ),
    log(
        "too many cells",
        "time,alkalinity" + "," * 90 + "\n" + "2025-03-01,8\n" * 50_000,
        "50001 rows of 92 columns",
        "delete columns that stay blank",
    ),
    log(
        "faults without end",
        HEADER + "".join(f"2025-03-01,pond{i},,8,,,\n" for i in range(50_000)),
        "over 1000 faults",
        "reading stopped there; check that it is the right file",
    ),
    log(
        "one line of ten million characters",
        "x" * 10_000_000,
        "x" * 59 + "…",
        "the header lacks time, entry, value",
        1,
    ),
    log("a web page", "<!DOCTYPE html>\n<html>", "<!DOCTYPE html>", "unknown column", 1),
    log(
        "no header", LOG.split("\n", 1)[1], "alkalinity", "the header lacks time, entry, value", 1
    )._replace(found=""),
    log("entry column misspelt", LOG.replace("entry", "entri"), "entri", "did you mean entry?", 1),
    log(
        "column twice",
        LOG.replace("note", "value"),
        "value",
        "the same column stands twice; keep one",
        1,
    ),
    log(
        "control characters in the header",
        "time,\x1b[2Jvalue\n",
        "[2Jvalue",
        "unknown column (a unit goes in square brackets); Accepted: time",
        1,
    ),
    log(
        "unknown unit in the header",
        "time,alkalinity [grains]\n2025-03-01,8\n",
        "alkalinity [grains]",
        "unknown unit for alkalinity; Accepted: dKH, meq/L, mmol/L, mg/L CaCO3",
        1,
    ),
    log(
        "quotation mark left open in the header",
        'time,"entry,value\n',
        "",
        "a quotation mark in the header is never closed",
        1,
    ),
    log(
        "quotation mark left open in a row",
        LOG + '2025-03-04,alkalinity,,8,,,"calm\n' + "2025-03-05,alkalinity,,8,,,\n",
        "",
        "a quotation mark opened in this row is never closed; close or remove it",
        4,
    ),
    log(
        "row with a stray comma",
        LOG + "2025-03-04,alkalinity,,8,,,calm, bright, warm\n",
        "bright",
        "put quotation marks around a note",
        4,
    ),
    log(
        "row with thousands of fields",
        LOG + "2025-03-04" + "," * 5000 + "\n",
        "5001 fields",
        "the row has more fields than the header",
        4,
    ),
    log(
        "quotation marks that join two rows where the note comes first",
        'note,time,entry,value\n"calm,2025-03-01,alkalinity,8\nx",2025-03-02,alkalinity,8\n',
        "calm,2025-03-01,alkalinity,8 x",
        "closed only in a later row, which would be lost; close or remove it",
        2,
    )._replace(where="log.csv, row 2, note:"),
    log(
        "quotation marks that join two rows with other dates",
        'time,alkalinity [dKH],note\n1/3/2025,8,"calm\n2/3/2025,8,windy"\n',
        "calm 2/3/2025,8,windy",
        "closed only in a later row",
        2,
    )._replace(where="log.csv, row 2, note:"),
    log(
        "text after a closing quotation mark",
        LOG + '2025-03-04,alkalinity,,"8"4,,,\n',
        '"8"4',
        "something stands after a closing quotation mark",
        4,
    ),
    log(
        "wide row with an impossible date and no reading",
        "time,alkalinity [dKH],note\n2025-03-01,8,\n2025-03-02,8,\n2025-02-30,,cleaned\n",
        "2025-02-30",
        "there is no such time",
    )._replace(where="log.csv, row 4, time:"),
    log(
        "a column of kits for two tests",
        "time,alkalinity [dKH],calcium,kit\n2025-03-01,8,420,drops\n",
        "kit",
        "say which test the kit is for, as kit:alkalinity",
        1,
    ),
    log(
        "a word that states another unit than its column",
        "time,dKH [meq/L]\n2025-03-01,8\n",
        "dKH [meq/L]",
        "dKH is in dKH; write alkalinity [meq/L] for another unit",
        1,
    ),
    log(
        "decimal commas between commas",
        "time,entry,value\n2025-03-01,alkalinity,8,4\n",
        "4",
        "put quotation marks around a note or number that holds the separator",
        2,
    ),
]

ROWS = [
    row("text for a number", "2025-03-04,alkalinity,,high,,,", "value", "high", NUMBER),
    row("number and unit", "2025-03-04,alkalinity,,8.2 dKH,,,", "value", "8.2 dKH", NUMBER),
    row("not a number", "2025-03-04,alkalinity,,NaN,,,", "value", "NaN", NUMBER),
    row("infinity", "2025-03-04,alkalinity,,inf,,,", "value", "inf", NUMBER),
    row("beyond any float", "2025-03-04,alkalinity,,1e999,,,", "value", "1e999", NUMBER),
    row("formula", "2025-03-04,alkalinity,,=2+6,,,", "value", "=2+6", NUMBER),
    row(
        "formula that starts a program",
        "2025-03-04,alkalinity,,=cmd|'/C calc'!A0,,,",
        "value",
        "=cmd|'/C calc'!A0",
        NUMBER,
    ),
    row("spreadsheet error", "2025-03-04,alkalinity,,#DIV/0!,,,", "value", "#DIV/0!", NUMBER),
    row("less than", "2025-03-04,nitrate,,<2,,,", "value", "<2", NUMBER),
    row("hexadecimal", "2025-03-04,alkalinity,,0x8,,,", "value", "0x8", NUMBER),
    row("digits of another script", "2025-03-04,alkalinity,,٨,,,", "value", "٨", NUMBER),
    row(
        "number of a million digits",
        f"2025-03-04,alkalinity,,{'8' * 1_000_000},,,",
        "value",
        shorter("8" * 60),
        NUMBER,
    ),
    row(
        "thousands",
        '2025-03-04,calcium,,"1,300",,,',
        "value",
        "1,300",
        "may be thousands or decimals",
    ),
    row("no value", "2025-03-04,alkalinity,,,,,", "value", "a blank", "alkalinity needs a value"),
    row("negative level", "2025-03-04,alkalinity,,-8,,,", "value", "-8", "may not be negative"),
    row("negative dose", "2025-03-04,dose,,-1,,,", "value", "-1", "dose may not be negative"),
    row(
        "absurd level", "2025-03-04,alkalinity,,900,,,", "value", "900 dKH", "must be 0 to 300 dKH"
    ),
    row("absurd calcium", "2025-03-04,calcium,,42000,,,", "value", "42000 mg/L", "0 to 5000 mg/L"),
    row("absurd pH", "2025-03-04,ph,,82,,,", "value", "82 NBS", "ph must be 0 to 14 NBS"),
    row("boiling tank", "2025-03-04,temperature,,212,F,,", "value", "212 F", "23 to 140 F"),
    row("absurd flow", "2025-03-04,flow,,1e9,,,", "value", "1e+09 mL/h", "the pump's largest flow"),
    row(
        "absurd dose", "2025-03-04,dose,,1e300,,,", "value", "1e+297 L", "less than the tank's 620"
    ),
    row(
        "absurd dose rate",
        "2025-03-04,dose_rate,,900,L/day,,",
        "value",
        "900 L",
        "less than the tank's 620 L of water",
    ),
    row(
        "absurd media",
        "2025-03-04,media_change,,1e30,kg,,",
        "value",
        "1e+30 kg",
        "must be at most 1000 kg; check the unit",
    ),
    row(
        "absurd CO2",
        "2025-03-04,co2_change,,2000,kg,,",
        "value",
        "2e+06 g",
        "must be at most 50000 g; check the unit",
    ),
    row(
        "a dose that no tank outlives",
        "2025-03-04,dose,,20,L,,",
        "value",
        "20000 mL",
        "would move alkalinity by 172 dKH, more than any tank can take; check the unit (mL or L), "
        "the solution's strength and the water volume",
    ),
    row(
        "mg/L CaCO3 without its unit",
        "2025-03-04,alkalinity,,143,,,",
        "value",
        "143 without a unit",
        "as dKH, the unit of its kit, no tank has it; as mg/L CaCO3 it is 8.0 dKH; write the unit",
    ),
    row(
        "effluent without its unit",
        "2025-03-04,alkalinity,effluent,480,,,",
        "value",
        "480 without a unit",
        "no effluent has it; as mg/L CaCO3 it is 26.9 dKH; write the unit",
    ),
    row(
        "a year's slip",
        "2015-03-04,alkalinity,,8,,,",
        "time",
        "2015-03-04 12:00",
        "lies more than two years from all other entries, the nearest are row 2 (2025-03-01); "
        "check the year, or leave the row out",
    ),
    row(
        "decades away",
        "1996-03-04,alkalinity,,8,,,\n1996-03-14,alkalinity,,8,,,",
        "time",
        "1996-03-04 12:00",
        "lies more than two years from all other entries",
    ),
    row(
        "water change of the whole tank",
        "2025-03-04,water_change,,620,,,",
        "value",
        "620 L",
        "must be less than the tank's 620 L of water",
    ),
    row("unknown entry", "2025-03-04,alkalinty,,8,,,", "entry", "alkalinty", "mean alkalinity?"),
    row("no entry", "2025-03-04,,,8,,,", "entry", "a blank", "unknown entry; Accepted: alkalinity"),
    row(
        "unknown unit",
        "2025-03-04,alkalinity,,8,grains,,",
        "unit",
        "grains",
        "unknown unit for alkalinity; Accepted: dKH, meq/L",
    ),
    row(
        "unknown kit",
        "2025-03-04,alkalinity,,8,,strips,",
        "kit",
        "strips",
        "the tank file declares no such kit; declare it there or leave the kit blank",
    ),
    row(
        "kit of another test", "2025-03-04,calcium,,420,,drops,", "kit", "drops", "tests alkalinity"
    ),
    row("undeclared solution", "2025-03-04,dose,sodda,8,,,", "of", "sodda", "did you mean soda?"),
    row("undeclared water", "2025-03-04,water_change,old,8,,,", "of", "old", "Accepted: new"),
    row("unknown sample", "2025-03-04,alkalinity,pond,8,,,", "of", "pond", "Accepted: tank"),
    row(
        "name with control characters",
        "2025-03-04,dose,\x1b]0;x\x07\x1b[31msoda\u202e,8,,,",
        "of",
        "]0;x  [31msoda",
        "name the solution of this dose",
    ),
    row(
        "name of a hundred thousand characters",
        f"2025-03-04,dose,{'s' * 100_000},8,,,",
        "of",
        shorter("s" * 60),
        "name the solution of this dose",
    ),
    row(
        "endless note",
        f"2025-03-04,dose,,8,,,{'n' * 5000}",
        "note",
        "5000 characters",
        "a note may hold at most 2000 characters; shorten it",
    ),
    row("no time", ",alkalinity,,8,,,", "time", "a blank", ISO),
    row("a hidden character", "2025-03-04,flow,,6\u200b0,,,", "value", "6 0", "U+200B, zero width"),
    row("CO2 beyond any float", "2025-03-04,co2_change,,1e308,kg,,", "value", "1e+308 kg", "meant"),
    row(
        "specific gravity without its unit",
        "2025-03-04,salinity,,1.026,,,",
        "value",
        "1.026 without a unit",
        "no salt water has it; as SG it is 34.5 g/kg; write the unit beside the value",
    ),
    row("hour 13 pm", "2025-03-04 13:00 pm,flow,,60,,,", "time", "2025-03-04 13:00 pm", "1 to 12"),
    row("American date", "3/4/2025,alkalinity,,8,,,", "time", "3/4/2025", ISO),
    row("time in words", "yesterday,alkalinity,,8,,,", "time", "yesterday", ISO),
    row("serial date", "45720,alkalinity,,8,,,", "time", "45720", ISO),
    row("no such day", "2025-02-30,flow,,60,,,", "time", "2025-02-30", "there is no such time"),
    row("hour 24", "2025-03-04 24:00,flow,,60,,,", "time", "2025-03-04 24:00", "no such time"),
    row("far future", "9999-12-31,flow,,60,,,", "time", "9999-12-31", FUTURE),
    row("year 0", "0000-01-01,flow,,60,,,", "time", "0000-01-01", "there is no such time"),
    row("slip of the year", "0225-03-04,flow,,60,,,", "time", "0225-03-04", "check the year"),
    row(
        "zones mixed",
        "2025-03-04 10:00+01:00,flow,,60,,,",
        "time",
        "2025-03-04 10:00+01:00",
        "write the tank's own local clock in every row, without a zone",
    ),
]

WHOLE_TANKS = [
    Case("empty tank file", "tank.toml, tank.water_volume_l:", "", "is missing; add it", tank=b""),
    Case(
        "byte-order mark only in the tank file",
        "tank.toml, targets.alkalinity.low:",
        "",
        "is missing; add it",
        tank=codecs.BOM_UTF8,
    ),
    toml("log given as tank", LOG, "", "is not valid TOML: ", 1),
    toml("tank in UTF-16", TANK.encode("utf-16"), "", WIDE_TEXT),
    toml("tank with a zero byte", TANK.encode() + b"\0", "a zero byte", ZERO_BYTE, 22),
    toml("junk for a tank", b"\x89PNG\r\n\x1a\n", "byte 0x89", "the text must be UTF-8", 1),
    toml("control character in TOML", TANK + '\na = "\x1b"\n', "", "mend that place", 23),
    toml("key twice", TANK + "flow_min_ml_h = 50\n", "", "is not valid TOML: Cannot overwrite", 22),
    toml("table twice", TANK + "[tank]\n", "", "is not valid TOML: Cannot declare", 22),
    toml("deeply nested lists", TANK + "x = " + "[" * 900, "", "is not valid TOML"),
    toml("deeply nested tables", TANK + "x = " + "{a=" * 300, "", "is not valid TOML"),
    toml(
        "key of ten thousand parts",
        TANK + "a" + ".a" * 10_000 + " = 1\n",
        "20005 characters",
        "a line may hold at most 1000 characters; break or shorten it",
        22,
    ),
    toml(
        "large tank file",
        TANK + "# padding\n" * 30_000,
        "0.3 MB",
        "may hold at most 0.2 MB; check that it is the right file",
    ),
    toml(
        "number of thousands of digits",
        TANK.replace("620", "6" * 5000),
        "5017 characters",
        "a line may hold at most 1000 characters",
        3,
    ),
    Case(
        "thousands of kits",
        "tank.toml, kits:",
        "2001 tables",
        "there may be at most 100; remove those that the log does not use",
        tank=TANK + "".join(f"[kits.k{i}]\nstep = 1\n" for i in range(2000)),
    ),
]

VOLUME = "water_volume_l = 620"
VOLUME_KEY = "tank.water_volume_l"
TANKS = [
    tank("zero volume", VOLUME_KEY, VOLUME, "water_volume_l = 0", "0", "must be more than 0"),
    tank("negative volume", VOLUME_KEY, VOLUME, "water_volume_l = -3", "-3", "must be more than"),
    tank("tiny volume", VOLUME_KEY, VOLUME, "water_volume_l = 1e-300", "1e-300", "more than 0.1"),
    tank("an ocean", VOLUME_KEY, VOLUME, "water_volume_l = 1e21", "1e+21", "at most 1000000"),
    tank("infinite volume", VOLUME_KEY, VOLUME, "water_volume_l = 1e999", "inf", PLAIN),
    tank("volume not a number", VOLUME_KEY, VOLUME, "water_volume_l = nan", "nan", PLAIN),
    tank("volume in words", VOLUME_KEY, VOLUME, 'water_volume_l = "620 L"', "620 L", PLAIN),
    tank("volume true", VOLUME_KEY, VOLUME, "water_volume_l = true", "true", PLAIN),
    tank(
        "volume beyond any float",
        VOLUME_KEY,
        VOLUME,
        f"water_volume_l = 0x{'f' * 600}",
        shorter(str(int("f" * 600, 16))),
        PLAIN,
    ),
    tank("volume a date", VOLUME_KEY, VOLUME, "water_volume_l = 2025-03-04", "2025-03-04", PLAIN),
    tank("volume a list", VOLUME_KEY, VOLUME, "water_volume_l = [620]", "a list", PLAIN),
    tank("no volume", VOLUME_KEY, VOLUME, "", "", "is missing; add it (or water_volume_us_gal)"),
    tank("endless name", "tank.name", '"Hall"', f'"{"H" * 500}"', shorter("H" * 60), "at most 100"),
    tank("name a number", "tank.name", '"Hall"', "5", "5", "write text between quotation marks"),
    tank(
        "low above high",
        "targets.alkalinity.low",
        "low = 7.6",
        "low = 9.6",
        "9.6",
        "must be lower than high, which is 8.8",
    ),
    tank(
        "low equal to high",
        "targets.alkalinity.low",
        "low = 7.6",
        "low = 8.8",
        "8.8",
        "must be lower than high",
    ),
    tank(
        "band in another unit",
        "targets.alkalinity.high",
        "high = 8.8",
        "high = 880",
        "880",
        "lies within 3 to 20 dKH; check the unit",
    ),
    tank(
        "rise of nothing",
        "targets.alkalinity.max_rise_per_day",
        "high = 8.8",
        "high = 8.8\nmax_rise_per_day = 1e-300",
        "1e-300",
        "check the unit",
    ),
    tank("unknown key", "tank.nam", "name", "nam", "nam", "unknown key; did you mean name?"),
    tank(
        "unknown key with control characters",
        "tank.[2Jname",
        "name =",
        '"\\u001b[2J\\u202ename" =',
        "[2J name",
        "unknown key",
    )._replace(where="tank.toml, tank. [2J name:"),
    tank("unknown table", "kit", "[kits.drops]", "[kit.drops]", "kit", "did you mean kits?"),
    tank(
        "kit of an unknown test",
        "kits.drops.parameter",
        'parameter = "alkalinity"',
        'parameter = "silicate"',
        "silicate",
        "unknown parameter; Accepted: alkalinity",
    ),
    tank(
        "kit in an unknown unit",
        "kits.drops.unit",
        'unit = "dKH"\nstep',
        'unit = "drops"\nstep',
        "drops",
        "unknown unit for alkalinity",
    ),
    tank("coarse kit", "kits.drops.step", "step = 0.3", "step = 1e308", "1e+308", "to 17 dKH"),
    tank("kit too fine", "kits.drops.step", "step = 0.3", "step = 1e-300", "1e-300", "to 17 dKH"),
    tank(
        "solution of nothing",
        "solutions.soda",
        "alkalinity_meq_per_ml = 1.9",
        "alkalinity_meq_per_ml = 5e-324",
        "",
        "adds nothing; state at least one strength above zero",
    ),
    tank(
        "solution stated per litre",
        "solutions.soda.alkalinity_meq_per_ml",
        "1.9",
        "1900",
        "1900",
        "at most 5.5; no solution holds more; is it ten times too high, or stated for a litre?",
    ),
    tank(
        "solution ten times too strong",
        "solutions.soda.alkalinity_meq_per_ml",
        "1.9",
        "19",
        "19",
        "at most 5.5; no solution holds more; is it ten times too high",
    ),
    tank(
        "water stated without its unit",
        "water.new.alkalinity",
        "alkalinity = 8.2",
        "alkalinity = 143",
        "143",
        "as mg/L CaCO3 it is 8.0 dKH; write the unit as alkalinity_unit",
    ),
    tank(
        "a kit that takes no time",
        "kits.drops.minutes",
        "step = 0.3",
        "step = 0.3\nminutes = 1e-300",
        "1e-300",
        "must be at least 0.1",
    ),
    tank(
        "gallons with a misspelled key",
        "tank.water_volume_gal",
        VOLUME,
        f"{VOLUME}\nwater_volume_gal = 164",
        "water_volume_gal",
        "did you mean water_volume_us_gal?",
    ),
    tank(
        "salinity in an unlikely specific gravity",
        "tank.salinity_sg",
        VOLUME,
        f"{VOLUME}\nsalinity_sg = 35",
        "35",
        "must be at least 1.004 and at most 1.038",
    ),
    tank(
        "a kit that takes a year",
        "kits.drops.minutes",
        "step = 0.3",
        "step = 0.3\nminutes = 525600",
        "525600",
        "at most 240; state the minutes that one test takes",
    ),
    tank(
        "a shipload of CO2",
        "reactor.co2_charge_g",
        "flow_max_ml_h = 3000",
        "flow_max_ml_h = 3000\nco2_charge_g = 2000000",
        "2000000",
        "at most 50000; state the grams of CO2 in a full cylinder",
    ),
    tank(
        "a shipload of media",
        "reactor.media_kg",
        "flow_max_ml_h = 3000",
        "flow_max_ml_h = 3000\nmedia_kg = 3000",
        "3000",
        "at most 1000; state it in kg",
    ),
    tank("absurd pump", "reactor.flow_max_ml_h", "3000", "1e300", "1e+300", "at most 1000000"),
    tank("pump of no step", "reactor.flow_step_ml_h", "10", "1e-9", "1e-09", "at least 0.001"),
    tank(
        "pump backwards",
        "reactor.flow_min_ml_h",
        "flow_min_ml_h = 60",
        "flow_min_ml_h = 6000",
        "6000",
        "must be less than flow_max_ml_h, which is 3000",
    ),
    tank(
        "name that only blanks write",
        "solutions. ",
        "[solutions.soda]",
        '[solutions." "]',
        "a table",
        "a name may not be blank",
    )._replace(where="tank.toml, solutions.:"),
    tank(
        "endless name of a water",
        "water",
        "[water.new]",
        f"[water.{'n' * 500}]",
        "a table",
        "a name may hold at most 100 characters",
    )._replace(where=f"tank.toml, {shorter('water.' + 'n' * 60)}:"),
    tank("water called tank", "water.tank", "[water.new]", "[water.tank]", "tank", "another name"),
]

CASES = [*WHOLE_LOGS, *ROWS, *WHOLE_TANKS, *TANKS]
