"""A new keeper's way at a real terminal: `new`, `add`, `check`, `report`."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from estimator.inputs.read import read_tank

pty = pytest.importorskip("pty", reason="needs a pseudo-terminal")
select = pytest.importorskip("select")

ROOT = Path(__file__).parents[2]
WATCH = ROOT / "tests" / "hostile"
"""Where the watch of the network is, which `hostile/test_offline.py` shows to see every use."""
PATIENCE_S = 60


class Terminal:
    """The command in a pseudo-terminal; `says` waits for words, `type` answers."""

    def __init__(self, folder, *arguments):
        self._here, there = pty.openpty()
        path = os.pathsep.join([*filter(None, [os.environ.get("PYTHONPATH")]), str(ROOT)])
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from reports.start import main; main()", *arguments],
            cwd=folder,
            env=os.environ | {"PYTHONPATH": path, "TERM": "dumb"},
            stdin=there,
            stdout=there,
            stderr=there,
            start_new_session=True,
        )
        os.close(there)
        self.shown = ""
        self._seen = 0

    def _read(self, wait_s):
        """Whether more was shown within `wait_s` seconds."""
        if not select.select([self._here], [], [], wait_s)[0]:
            return False
        try:
            more = os.read(self._here, 65536)
        except OSError:  # Linux ends a terminal that way
            more = b""
        self.shown += more.decode()
        return bool(more)

    def says(self, words, patience_s=PATIENCE_S):
        until = time.monotonic() + patience_s
        while words not in self.shown[self._seen :]:
            assert time.monotonic() < until, f"no {words!r} in {self.shown!r}"
            if not self._read(1) and self._process.poll() is not None:
                assert words in self.shown[self._seen :], self.shown
        self._seen = self.shown.index(words, self._seen) + len(words)

    def type(self, line=""):
        os.write(self._here, f"{line}\n".encode())

    def interrupt(self):
        """As Ctrl-C does; again where it came a moment before the terminal was listened to."""
        for _ in range(5):
            os.killpg(self._process.pid, signal.SIGINT)
            until = time.monotonic() + 2
            while time.monotonic() < until:
                self._read(0.1)
                if self._process.poll() is not None:
                    return

    def ends(self, code):
        until = time.monotonic() + PATIENCE_S
        while self._read(0.2) or self._process.poll() is None:
            assert time.monotonic() < until, self.shown
        os.close(self._here)
        assert self._process.returncode == code, self.shown
        return self.shown.replace("\r\n", "\n")


def make_tank(folder):
    """`uptake new`, answered as a keeper would, with three slips."""
    terminal = Terminal(folder, "new", "--dir", "hall")
    for question, answer in (
        ("A name for the tank [My tank]", "Hall"),
        ("How much water is in the whole system?", "620"),
        ("That cannot be taken: write a number and its unit", "620 L"),
        ("When do the lights go on and off", ""),
        ("In which unit do you read alkalinity", ""),
        ("is the tank to stay, in dKH? [7.5 to 9]", "9 to 7.5"),
        ("That cannot be taken: must be lower than high", "7.6 to 8.8"),
        ("And calcium, in mg/L?", ""),
        ("your alkalinity test shows, in dKH? [0.3]", "0.2"),
        ("your calcium test shows, in mg/L?", "none"),
        ("your magnesium test shows, in mg/L?", ""),
        ("Name a solution that you dose", "soda"),
        ("How is the strength of soda known?", "4"),
        ("How many meq of alkalinity in one mL?", "19"),
        ("at most 5.5; no solution holds more; is it ten times too high", "1.9"),
        ("Name another solution, or none [none]", ""),
        ("Alkalinity of freshly mixed salt water, in dKH?", "8.2"),
        ("Is there a calcium reactor", "y"),
        ("The largest flow of its effluent pump, in mL/h?", "50 mL/min"),
        ("And the smallest, but off?", ""),
        ("The smallest change that you can set?", "10"),
        ("The pH held in its chamber? Write unknown", "6.6"),
        ("How many kg of media does it hold?", ""),
        ("How many grams of CO2 does a full cylinder hold?", ""),
    ):
        terminal.says(question)
        terminal.type(answer)
    return terminal.ends(0)


STRENGTHS = (
    ("soda", "1", [("Which salt?", "2"), ("grams of sodium bicarbonate in one litre?", "80")]),
    ("buffer", "2", [("1 mL raises 100 L by how many dKH?", "0.05")]),
    ("reef mix", "3", [("1 mL raises 100 US gallons by how many dKH?", "0,0132")]),
    ("hydroxide", "meq", [("How many meq of alkalinity in one mL?", "1.9")]),
    ("chloride", "5", [("How many mmol of calcium in one mL?", "1.8")]),
)
"""Name, choice, and what is asked with its answer."""


def test_gallons_and_each_way_to_state_a_strength(tmp_path):
    """A keeper who reads labels in dKH and thinks in gallons reckons nothing."""
    terminal = Terminal(tmp_path, "new")
    asked = [("A name for the tank", ""), ("in the whole system?", "160 gal")]
    asked += [("lights go on", ""), ("unit do you read", "meq/L"), ("to stay, in meq/L?", "")]
    asked += [("calcium, in mg/L?", "none"), ("test shows, in meq/L? [0.11]", "0.1")]
    asked += [("calcium test shows", "none"), ("magnesium test shows", "none")]
    for name, by, rest in STRENGTHS:
        question = "Name a solution that you dose" if name == "soda" else "Name another solution"
        asked += [(question, name), (f"How is the strength of {name} known?", by), *rest]
    asked += [("Name another solution", "none"), ("freshly mixed", "none"), ("reactor", "no")]
    for question, answer in asked:
        terminal.says(question)
        terminal.type(answer)
    terminal.ends(0)
    tank, _ = read_tank(tmp_path / "tank.toml")
    assert tank.water_volume_l == pytest.approx(605.666, rel=1e-5)
    assert tank.volume_unit == "gal"
    (kit,) = tank.kits.values()
    assert (kit.unit, kit.step) == ("meq/L", 0.1)
    strengths = [one.alkalinity_meq_per_ml for one in tank.solutions.values()]
    # 80 g of NaHCO3 at 84.006 g/mol; 0.05 dKH in 100 L; 0.0132 dKH in 378.5 L.
    expected = [0.95231, 1.78326, 1.78211, 1.9, 0.0]
    assert strengths == pytest.approx(expected, rel=1e-4)
    assert tank.solutions["chloride"].calcium_mmol_per_ml == 1.8


def call(folder, *arguments):
    terminal = Terminal(folder, *arguments)
    return terminal.ends(0)


def add_readings(folder, files, values):
    """`uptake add` that asks: one line a reading, four days apart, the last of now, and a slip."""
    terminal = Terminal(folder, "add", *files)
    terminal.says("An empty line ends.")
    for days, value in zip(range(4 * len(values) - 4, -1, -4), values, strict=True):
        when = f"{datetime.now() - timedelta(days=days):%Y-%m-%d %H:%M}"
        terminal.says("> ")
        terminal.type(f"alkalinity {value} at {when}")
        terminal.says(f"{when},alkalinity,tank,{value},dKH,alkalinity-kit,")
    terminal.type("alkalinty 8")
    terminal.says("did you mean alkalinity?")
    terminal.type()
    terminal.ends(0)


def test_from_questions_to_a_checked_log(tmp_path):
    """No file is typed by hand: two files are made, filled and found faultless."""
    shown = make_tank(tmp_path)
    assert "Written: hall/tank.toml" in shown
    files = ("hall/log.csv", "--tank", "hall/tank.toml")
    add_readings(tmp_path, files, ("8.4", "8.1"))
    shown = call(tmp_path, "add", *files, "alkalinity", "7.9", "--note", "after feeding, late")
    assert shown.endswith(',alkalinity,tank,7.9,dKH,alkalinity-kit,"after feeding, late",\n')
    before = (tmp_path / "hall" / "log.csv").read_bytes()
    slip = Terminal(tmp_path, "add", *files, "dose", "40", "--of", "sodda")
    assert "did you mean soda?" in slip.ends(2)
    assert (tmp_path / "hall" / "log.csv").read_bytes() == before
    call(tmp_path, "add", *files, "dose", "40")
    shown = call(tmp_path, "check", *files)
    assert "log.csv: 4 rows" in shown
    assert "Readings: 3 (tank alkalinity 3)" in shown
    assert "Actions: 1 (dose 1)" in shown


@pytest.mark.parametrize("how", ["interrupt", "empty line"])
def test_rows_typed_one_after_the_other(tmp_path, how):
    """Each is added at once or refused at once; leaving loses none, and is no failure."""
    make_tank(tmp_path)
    terminal = Terminal(tmp_path, "add", "hall/log.csv", "--tank", "hall/tank.toml")
    for prompt, line in (("An empty line ends.", "alkalinity 8.4"), ("as row 2:", "alkalinty 8")):
        terminal.says(prompt)
        terminal.says("> ")
        terminal.type(line)
    terminal.says("did you mean alkalinity?")
    terminal.says("> ")
    if how == "interrupt":
        terminal.interrupt()
    else:
        terminal.type()
    terminal.ends(0)
    (row,) = (tmp_path / "hall" / "log.csv").read_text().splitlines()[1:]
    assert ",alkalinity,tank,8.4," in row


@pytest.mark.parametrize("how", ["interrupt", "end of input"])
def test_leaving_half_way_leaves_no_trace(tmp_path, how):
    """Ctrl-C and Ctrl-D end the questions, and nothing is made."""
    terminal = Terminal(tmp_path, "new", "--dir", "hall")
    terminal.says("A name for the tank")
    terminal.type("Hall")
    terminal.says("How much water")
    if how == "interrupt":
        terminal.interrupt()
    else:
        os.write(terminal._here, b"\x04")
    assert "Nothing was written." in terminal.ends(130)
    assert os.listdir(tmp_path) == []


@pytest.mark.sampler
def test_five_readings_make_a_report(tmp_path, monkeypatch):
    """The keeper's whole way, to the page of an own tank: three commands. Nothing of it, with all
    the libraries and processes that it starts, uses the network."""
    network = tmp_path / "network"
    monkeypatch.setenv("PYTHONPATH", str(WATCH))
    monkeypatch.setenv("NETWORK_LOG", str(network))
    make_tank(tmp_path)
    files = ("hall/log.csv", "--tank", "hall/tank.toml")
    add_readings(tmp_path, files, ("8.6", "8.4", "8.1", "8.0", "7.7"))
    terminal = Terminal(tmp_path, "report", *files, "--out", "hall/report.html")
    terminal.says("Report: hall/report.html and hall/report.json", patience_s=300)
    terminal.ends(3)
    assert (tmp_path / "hall" / "report.html").exists()
    assert not network.exists()
