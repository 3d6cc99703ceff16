"""Many tanks: pairing, outcomes, executors that break, the index, and the command over a folder."""

from __future__ import annotations

import html
import io
import json
import os
import pickle
import re
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from urllib.parse import unquote_to_bytes

import pytest
from click.testing import CliRunner

from estimator.errors import FitError, InputError
from helpers.farms import BAD_LOG, LOG, TANK
from helpers.processes import members
from helpers.studies import build_study
from reports import terminal
from reports.blocks import resolve
from reports.cli import main
from reports.index import build_index, index_json, render_index, summary_lines
from reports.many import TankOutcome, facts_of, find_jobs, run_many, study_one
from reports.twin.build import build_twin
from reports.workers import Workers

ROOT = Path(__file__).parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
NOW = datetime(2026, 5, 1)


class InPlace(Executor):
    """Does each job at once, in this process."""

    def submit(self, fn, /, *args, **kwargs):
        future = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


class Fragile(InPlace):
    """Breaks for good on the log named `poison.csv`, and takes all that was handed out with it."""

    def __init__(self):
        self.handed_out, self.broken = [], False

    def submit(self, fn, /, *args, **kwargs):
        if self.broken:
            raise BrokenExecutor
        future = Future()
        self.handed_out.append((future, fn, args))
        if args[0].log.name == "poison.csv":
            self.broken = True
            for one, _, _ in self.handed_out:
                one.set_exception(BrokenExecutor())
        elif len(self.handed_out) == 3:
            self._do()
        return future

    def _do(self):
        for future, fn, args in self.handed_out:
            future.set_result(fn(*args))
        self.handed_out = []


class OneAtATime(InPlace):
    """A fresh executor: breaks on `poison.csv` only."""

    made = 0

    def __init__(self):
        type(self).made += 1

    def submit(self, fn, /, *args, **kwargs):
        if args[0].log.name == "poison.csv":
            future = Future()
            future.set_exception(BrokenExecutor())
            return future
        return super().submit(fn, *args, **kwargs)


@pytest.fixture
def farm(tmp_path):
    """`farm(*names)`: a folder with a log of each name and one tank file for all."""

    def make(*names):
        folder = tmp_path / "farm"
        (folder / "reports").mkdir(parents=True, exist_ok=True)
        (folder / "tank.toml").write_text(TANK, encoding="utf-8")
        for name in names:
            (folder / f"{name}.csv").write_text(LOG, encoding="utf-8")
        return folder

    return make


@pytest.fixture
def fitted(monkeypatch):
    """The fit is replaced: each log gets the study named in `variants`, or "full"."""
    variants = {}
    calls = []

    def study(inputs, seed, cores, minutes_per_week, today):
        calls.append((inputs.log.name, seed, cores))
        study.minutes, study.today = minutes_per_week, today
        made = variants.get(Path(inputs.log.name).stem, "full")
        if isinstance(made, BaseException):
            raise made
        return build_study(made)

    monkeypatch.setattr("estimator.pipeline.run_study", study)
    monkeypatch.setattr("reports.workers.Workers", lambda *_: InPlace())
    study.variants, study.calls = variants, calls
    return study


def jobs_of(folder, tank=None, seed=7):
    return find_jobs(folder, folder / "reports", tank, seed=seed, now=NOW)


def outcome(name, study, inside=None, good_days=None):
    """An outcome of one kind of study, with chances put in their places."""
    twin = build_twin(study)
    if inside is not None:
        twin["flow"]["level_in_band_probability"] = inside
    if good_days is not None:
        twin["plan"]["chances"]["good_days"] = good_days
    log = f"{name}.csv"
    reasons = tuple(twin["status_reasons"])
    page = f"{name}-report.html"
    return TankOutcome(log, twin["status"], reasons, page, f"{name}-report.json", facts_of(twin))


def run(*arguments):
    return CliRunner().invoke(main, list(map(str, arguments)))


def test_each_log_is_paired_with_the_nearest_tank_file(tmp_path):
    """Beside it by name, else tank.toml of the folder, else --tank, else none."""
    for name in ("a.csv", "a.toml", "b.CSV", ".c.csv", "notes.txt"):
        (tmp_path / name).write_text("")
    (tmp_path / "folder.csv").mkdir()
    last = tmp_path / "elsewhere.toml"
    assert [(j.log.name, j.tank) for j in jobs_of(tmp_path)] == [
        ("a.csv", tmp_path / "a.toml"),
        ("b.CSV", None),
    ]
    assert [j.tank for j in jobs_of(tmp_path, last)] == [tmp_path / "a.toml", last]
    (tmp_path / "tank.toml").write_text("")
    assert jobs_of(tmp_path, last)[1].tank == tmp_path / "tank.toml"


def test_a_tank_file_in_other_capitals_is_the_logs_own(tmp_path):
    """Else the folder's tank.toml would silently stand for it."""
    for name in ("reef.csv", "reef.TOML", "Bay.CSV", "bay.toml", "tank.toml", "cove.csv"):
        (tmp_path / name).write_text("")
    assert {j.log.name: j.tank and j.tank.name for j in jobs_of(tmp_path)} == {
        "reef.csv": "reef.TOML",
        "Bay.CSV": "bay.toml",
        "cove.csv": "tank.toml",
    }
    (tmp_path / "reef.toml").write_text("")
    assert {j.log.name: j.tank.name for j in jobs_of(tmp_path)}["reef.csv"] == "reef.toml"


def test_a_tank_file_that_serves_no_log_is_named(farm, fitted):
    """Its log may be misspelled, and another tank's file taken for it."""
    folder = farm("reef")
    (folder / "reeef.toml").write_text(TANK)
    done = run("report", folder, "--out", folder / "reports")
    assert "Tank files that serve no log: reeef.toml" in done.stderr
    (folder / "reeef.toml").unlink()
    assert "serve no log" not in run("report", folder, "--out", folder / "reports").stderr


def test_the_tank_file_of_a_log_named_tank_is_no_other_tanks(tmp_path):
    """One tank's volume must not silently stand for another's."""
    for name in ("tank.csv", "tank.toml", "other.csv"):
        (tmp_path / name).write_text("")
    assert {j.log.stem: j.tank and j.tank.name for j in jobs_of(tmp_path)} == {
        "other": None,
        "tank": "tank.toml",
    }


def test_no_two_reports_share_a_file(tmp_path):
    """Names that differ in case or in the suffix alone keep a report each."""
    for name in ("a.csv", "a.CSV", "A.csv", "a.CSV.csv"):
        (tmp_path / name).write_text("")
    jobs = jobs_of(tmp_path)
    assert len({job.page.name.casefold() for job in jobs}) == len(jobs) >= 2


def test_jobs_and_outcomes_travel_between_processes(farm, fitted):
    """Any executor can carry them: they survive pickling unchanged."""
    job = jobs_of(farm("a"))[0]
    assert pickle.loads(pickle.dumps(job)) == job
    done = study_one(job)
    assert pickle.loads(pickle.dumps(done)) == done


def test_every_tank_is_fitted_on_one_core_with_the_given_seed(farm, fitted):
    """Tanks side by side do not fight for cores, and a tank's seed depends on nothing else."""
    list(run_many(jobs_of(farm("a", "b"), seed=7), InPlace()))
    assert sorted(fitted.calls) == [("a.csv", 7, 1), ("b.csv", 7, 1)]


def test_minutes_reach_every_tank(farm, fitted):
    """A folder's plans of tests keep to --minutes as one log's does."""
    assert run("report", farm("a"), "--minutes", "45").exit_code == 0
    assert fitted.minutes == 45.0


def test_the_day_of_the_report_reaches_every_tank(farm, fitted):
    """--today is the folder's; without it no tank's age is looked at."""
    assert run("report", farm("a"), "--today", "2026-03-20").exit_code == 0
    assert fitted.today == date(2026, 3, 20)
    assert run("report", farm("a")).exit_code == 0
    assert fitted.today is None


def test_the_index_tells_what_each_report_tells(farm, fitted):
    """Today's action in the report's words, the last reading, the trend, one phrase of why, and
    the plan's share of good days."""
    fitted.variants["a"] = "start"
    folder = farm("a")
    assert run("report", folder).exit_code == 0
    html = (folder / "reports" / "index.html").read_text(encoding="utf-8")
    today = "Start the pump at 300 mL/h and dose 120 mL of soda and 60 mL of chloride a day"
    assert today in html
    assert "the reactor takes the load over" in html
    assert 'data-k="/tanks/0/plan/good_days" data-as="in10">9.5<' in html
    twin = json.loads((folder / "reports" / "a-report.json").read_text(encoding="utf-8"))
    index = json.loads((folder / "reports" / "index.json").read_text(encoding="utf-8"))
    (entry,) = index["tanks"]
    read = [r for r in twin["readings"] if (r["sample"], r["entry"]) == ("tank", "alkalinity")]
    assert entry["last_reading"]["value"] == read[-1]["value"]
    level = [day["q50"] for day in twin["level_by_day"]["alkalinity"]["by_day"]]
    assert entry["trend"]["per_week"] == pytest.approx(level[-1] - level[-8], abs=5e-4)
    assert entry["plan"]["report_again"] == twin["plan"]["report_again"]


@pytest.mark.parametrize(
    ("made", "status", "words"),
    [
        ("full", "recommended", ""),
        ("wide", "withheld", ""),
        (FitError("no finite start"), "bad_input", "no finite start"),
        (ValueError("odd\nthing"), "failed", "ValueError"),
        (MemoryError(), "failed", "MemoryError"),
    ],
)
def test_whatever_happens_to_a_tank_is_its_outcome(farm, fitted, made, status, words):
    """No error leaves `study_one`; files are written together or not at all."""
    fitted.variants["a"] = made
    folder = farm("a")
    done = study_one(jobs_of(folder)[0])
    assert done.status == status
    assert words in " ".join(done.messages)
    written = sorted(path.name for path in (folder / "reports").iterdir())
    assert written == ([done.page, done.twin] if done.page else [])


@pytest.mark.parametrize(("text", "most"), [(BAD_LOG, 2), (BAD_LOG[:17] + "x,y,z\n" * 500, 21)])
def test_faults_of_a_log_are_listed_up_to_a_limit(farm, fitted, text, most):
    """A log with thousands of faults does not flood the index."""
    folder = farm("a")
    (folder / "a.csv").write_text(text)
    done = study_one(jobs_of(folder)[0])
    assert done.status == "bad_input"
    assert "a.csv, row 2" in done.messages[0]
    assert 1 <= len(done.messages) <= most
    assert fitted.calls == []


def test_a_log_without_a_tank_file_is_told_what_to_do(farm, fitted):
    """The fault names the file that would help."""
    folder = farm("a")
    (folder / "tank.toml").unlink()
    done = study_one(jobs_of(folder)[0])
    assert done.status == "bad_input"
    assert "a.toml" in done.messages[0]


def test_a_dead_worker_loses_only_the_tank_at_fault(farm, fitted):
    """Those handed out beside it are run again, those not yet handed out go on."""
    folder = farm(*(names := ("a", "b", "c", "d", "e", "poison", "z1", "z2", "z3")))
    fitted.variants.update({name: FitError("no page to draw") for name in names})
    OneAtATime.made = 0
    done = list(run_many(jobs_of(folder), Fragile(), OneAtATime, ahead=3))
    assert len(done) == 9
    assert {one.log: one.status for one in done if one.status != "bad_input"} == {
        "poison.csv": "failed"
    }
    # d, e and poison alone, then one for those that are left
    assert OneAtATime.made == 4


def test_without_a_new_executor_the_rest_is_reported_not_lost(farm, fitted):
    """An outcome for every job, whatever the executor does."""
    folder = farm("a", "poison", "z1", "z2", "z3")
    done = list(run_many(jobs_of(folder), Fragile(), ahead=3))
    assert sorted(one.log for one in done) == [
        "a.csv",
        "poison.csv",
        "z1.csv",
        "z2.csv",
        "z3.csv",
    ]
    assert {one.status for one in done} == {"failed"}


def test_jobs_are_handed_out_as_they_are_needed(farm, fitted):
    """Hundreds of thousands of tanks do not wait in the executor all at once."""
    most = 0

    class Slow(InPlace):
        def submit(self, fn, /, *args, **kwargs):
            nonlocal most
            waiting.append((Future(), fn, args))
            most = max(most, len(waiting))
            if len(waiting) == 2:
                for future, one, given in waiting:
                    future.set_result(one(*given))
                waiting.clear()
                return future
            return waiting[-1][0]

    waiting = []
    done = list(run_many(jobs_of(farm("a", "b", "c", "d")), Slow(), ahead=2))
    assert len(done) == 4
    assert most == 2


class Deadly:
    """Ends the process that unpickles it."""

    def __reduce__(self):
        return os._exit, (9,)


@pytest.mark.parametrize("method", [None, "spawn"])
def test_real_workers_carry_a_tank(farm, method):
    """The default start method and the one that every system has."""
    folder = farm("a")
    (folder / "a.csv").write_text(BAD_LOG)
    with Workers(1, os.getpid, method) as workers:
        assert [one.status for one in run_many(jobs_of(folder), workers)] == ["bad_input"]


def test_real_workers_survive_the_death_of_one(farm):
    """A process that dies in earnest costs its own tank only."""
    folder = farm("a", "b")
    for name in "ab":
        (folder / f"{name}.csv").write_text(BAD_LOG)
    first, second = jobs_of(folder)
    deadly = replace(first, seed=Deadly())

    def pool():
        return Workers(1, os.getpid)

    with pool() as workers:
        done = {one.log: one for one in run_many([deadly, second], workers, pool, ahead=2)}
    assert done["a.csv"].status == "failed"
    assert "process died" in done["a.csv"].messages[0]
    assert done["b.csv"].status == "bad_input"


@pytest.fixture
def mixed():
    """Outcomes of every group."""
    well = {"inside": 0.97, "good_days": 0.9}
    return [
        outcome("steady", build_study("full"), **well),
        TankOutcome("broken.csv", "bad_input", ("broken.csv, row 2: <b>x</b>",)),
        outcome("wide", build_study("wide"), **well),
        outcome("leaving", build_study("full"), **(well | {"good_days": 0.3})),
        outcome("out", build_study("full"), **(well | {"inside": 0.02})),
        outcome("failed-fit", build_study("failed")),
        outcome("planned", build_study("no reactor"), inside=0.95),
        TankOutcome("crashed.csv", "failed", ("crashed.csv: its process died",)),
    ]


def test_tanks_are_ranked_by_need(mixed):
    """Out of band first, then likely to leave it, then the unknown, then the rest."""
    index = build_index(mixed, seed=1)
    assert [(entry["log"], entry["group"]) for entry in index["tanks"]] == [
        ("out.csv", "first"),
        ("leaving.csv", "first"),
        ("broken.csv", "unread"),
        ("crashed.csv", "unread"),
        ("failed-fit.csv", "no_setting"),
        ("wide.csv", "no_setting"),
        ("steady.csv", "steady"),
        ("planned.csv", "steady"),
    ]


def test_the_index_does_not_depend_on_who_is_done_first(mixed):
    """Workers finish in any order; the files are the same bytes."""
    one, other = (build_index(order, seed=1) for order in (mixed, mixed[::-1]))
    assert index_json(one) == index_json(other)
    assert render_index(one) == render_index(other)


def test_a_withheld_tank_that_is_out_of_its_band_comes_first():
    """That no setting can be given is no reason to look at it later."""
    index = build_index([outcome("a", build_study("wide"), inside=0.1)], seed=1)
    assert index["tanks"][0]["group"] == "first"
    assert "Leave the pump at 2600 mL/h and all else as it is" in render_index(index)


def test_chances_of_a_fit_that_failed_its_checks_are_not_used():
    """Numbers that the tank's own report hides must not come out on the index."""
    entry = build_index([outcome("a", build_study("failed"))], seed=1)["tanks"][0]
    assert entry["need"] is None
    assert entry["level_in_band_probability"] is None
    assert entry["plan"]["good_days"] is None
    assert entry["trend"] is None


NUMBER = re.compile(r'<data value="([^"]*)" data-k="([^"]*)"(?: data-as="(\w+)")?>([^<]*)</data>')


def test_every_number_of_the_index_is_in_its_twin(mixed):
    """The page prints what the JSON holds."""
    index = build_index(mixed, seed=1)
    found = NUMBER.findall(render_index(index))
    assert len(found) > 12
    for value, path, told_as, shown in found:
        held = resolve(index, path)
        assert float(value) == held
        scale, apart = {"in10": (10, 0.2501), "near5": (100, 2.501), "": (1, 0.0501)}[told_as]
        number = float(shown.replace("−", "-").removeprefix("+"))
        assert number == pytest.approx(held * scale, abs=apart)


HOSTILE = [
    '"><script>alert(1)</script>',
    "javascript:alert(1)",
    "a b%2F..%2Fc#d?e&f",
    "\u202egnp.x",
    "鱼🐠",
    "{{ 7*7 }}",
    "'onmouseover='x",
]


def test_hostile_names_come_out_inert():
    """Names of tanks and files are text and nothing else; each link leads to its own file."""
    outcomes = [outcome(name, build_study("hostile")) for name in HOSTILE]
    outcomes.append(TankOutcome("<img src=x>.csv", "bad_input", ("<img src=x>: \u202efault",)))
    page = render_index(build_index(outcomes, seed=1))
    assert "<script" not in page
    assert "<img" not in page
    assert "\u202e" not in page
    assert not re.search(r"<[^>]*\son\w+=", page)
    links = [html.unescape(link) for link in re.findall(r'<a href="([^"#][^"]*)"', page)]
    assert {unquote_to_bytes(link).decode() for link in links} == {
        f"{name}-report.html" for name in HOSTILE
    }
    assert all(re.fullmatch(r"[\w.~%-]+", link) for link in links)


def test_a_file_name_that_is_no_text_is_linked_and_written():
    """Linux takes any bytes for a name; the index must still be encodable."""
    name = os.fsdecode(b"tank-\xff")
    index = build_index([outcome(name, build_study("full"))], seed=1)
    index_json(index).encode("utf-8")
    page = render_index(index).encode("utf-8")
    assert b"tank-%FF-report.html" in page


def test_the_index_asks_for_nothing_outside(mixed):
    """No script and no outside address; the stylesheet is the one that the policy allows."""
    page = render_index(build_index(mixed, seed=1))
    assert "<bdi>broken.csv, row 2: &lt;b&gt;x&lt;/b&gt;</bdi>" in page
    assert "default-src 'none'; style-src 'sha256-" in page
    assert "<script" not in page
    assert not re.search(r"https?://|url\(|@import", page)
    assert "prefers-color-scheme: dark" in page


def test_the_summary_fits_eight_lines():
    """Two hundred tanks with faults and names of any length still fit one screen."""
    well = {"inside": 0.97, "good_days": 0.9}
    kinds = (
        outcome("out", build_study("hostile"), inside=0.1),
        outcome("wide", build_study("wide"), **well),
        TankOutcome("bad.csv", "bad_input", ("f" * 999,) * 3),
    )
    outcomes = [replace(one, log=f"{i}" + "x" * 99) for one in kinds for i in range(50)]
    lines = summary_lines(build_index(outcomes, seed=1), "index.html", "index.json")
    assert len(lines) == 8
    assert all(len(line) < 200 for line in lines)
    assert lines[0] == "150 tanks: 50 with a setting, 50 without one yet, 50 not studied."


@pytest.mark.parametrize(
    ("variants", "code"),
    [
        ({}, 0),
        ({"a": "wide"}, 3),
        ({"a": "wide", "b": FitError("x")}, 2),
        ({"a": "wide", "b": ValueError("x")}, 1),
    ],
)
def test_the_exit_code_is_that_of_the_worst_tank(farm, fitted, variants, code):
    """0 all have a setting, 3 one has none, 2 one is at fault, 1 one met a bug."""
    fitted.variants.update(variants)
    result = run("report", farm("a", "b", "c"))
    assert result.exit_code == code, result.output
    assert len(result.output.splitlines()) <= 8


def test_one_bad_log_does_not_stop_the_others(farm, fitted):
    """The others have their reports, and the index tells what is wrong with the bad one."""
    folder = farm("a", "b")
    (folder / "a.csv").write_text(BAD_LOG)
    result = run("report", folder, "--seed", "5")
    assert result.exit_code == 2
    assert "a.csv, row 2" in result.output
    assert sorted(path.name for path in (folder / "reports").iterdir()) == [
        "b-report.html",
        "b-report.json",
        "index.html",
        "index.json",
    ]
    assert "row 2" in (folder / "reports" / "index.html").read_text(encoding="utf-8")
    assert [seed for _, seed, _ in fitted.calls] == [5]


def test_a_file_of_the_keeper_s_in_the_place_of_a_report_stays(farm, fitted):
    """That tank alone is left out, and says why; the index says it too."""
    folder = farm("a", "b")
    mine = folder / "reports" / "a-report.json"
    mine.write_text("mine")
    result = run("report", folder)
    assert result.exit_code == 2
    assert "a-report.json: what stands there is not known" in result.output
    assert mine.read_text() == "mine"
    assert not (folder / "reports" / "a-report.html").exists()
    assert (folder / "reports" / "b-report.html").exists()


@pytest.mark.parametrize("name", ["index.html", "index.json"])
def test_a_file_of_the_keeper_s_in_the_place_of_the_index_stays(farm, fitted, name):
    """It is refused before any fit."""
    folder = farm("a")
    mine = folder / "reports" / name
    mine.write_text("mine")
    result = run("report", folder)
    assert result.exit_code == 2
    assert name in result.output
    assert "--out" in result.output
    assert fitted.calls == []
    assert [path.name for path in mine.parent.iterdir()] == [name]
    assert mine.read_text() == "mine"


def test_the_folder_of_the_reports_is_made(farm, fitted, tmp_path):
    """It need not be there; one that cannot be made is named, before any fit."""
    folder = farm("a")
    (folder / "reports").rmdir()
    assert run("report", folder).exit_code == 0
    assert (folder / "reports" / "a-report.html").exists()
    assert run("report", folder, "--out", tmp_path / "x" / "y").exit_code == 0
    assert (tmp_path / "x" / "y" / "index.json").exists()
    fitted.calls.clear()
    result = run("report", folder, "--out", folder / "a.csv")
    assert result.exit_code == 2
    assert "--out" in result.output
    assert fitted.calls == []


def test_a_folder_without_logs_is_bad_input(tmp_path, fitted):
    """Nothing to do is said, and nothing is written."""
    result = run("report", tmp_path)
    assert result.exit_code == 2
    assert "NAME.csv" in result.output
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(InputError):
        jobs_of(tmp_path / "missing")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["a.csv"], "--tank"), (["a.csv", "--tank", "tank.toml", "--jobs", "2"], "--jobs")],
)
def test_a_single_log_still_needs_its_tank_file(farm, fitted, monkeypatch, arguments, words):
    """Options of the one kind of call are not silently ignored in the other."""
    monkeypatch.chdir(farm("a"))
    result = run("report", *arguments)
    assert result.exit_code == 2
    assert words in result.output
    assert fitted.calls == []


def test_the_terminal_shows_how_far_it_is_and_who_failed(monkeypatch):
    """One bar for all tanks; a hostile name is printed as it is, markup and marks disarmed."""

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setattr("sys.stderr", Terminal())
    with terminal.tally_bar(2) as tell:
        tell(TankOutcome("[red]a\u202e\x1b[2J.csv", "bad_input", ("x",)))
        tell(TankOutcome("b.csv", "recommended", page="b-report.html"))
    shown = sys.stderr.getvalue()
    assert "Not studied: [red]a  [2J.csv" in shown
    assert "2/2" in shown
    assert "b.csv" not in shown


def command(*arguments, **options):
    code = "from reports.cli import main; main()"
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        **options,
    )


@pytest.mark.sampler
@pytest.mark.slow
def test_a_tank_gets_the_same_bytes_alone_and_among_others(farm):
    """A real run: three tanks in two processes, one at fault; the report by itself is the same."""
    folder = farm("a", "b", "c")
    (folder / "c.csv").write_text(BAD_LOG)
    alone = folder / "a-report.html"
    arguments = ("report", folder / "a.csv", "--tank", folder / "tank.toml", "--out", alone)
    process = command("report", folder, "--seed", "4", "--jobs", "2")
    by_itself = command(*arguments, "--seed", "4")
    out, err = process.communicate(timeout=300)
    assert process.returncode == 2, err
    assert err == b""
    assert out.startswith(b"3 tanks: ")
    by_itself.communicate(timeout=300)
    assert by_itself.returncode == 0
    for suffix in (".html", ".json"):
        among_others = folder / "reports" / f"a-report{suffix}"
        assert alone.with_suffix(suffix).read_bytes() == among_others.read_bytes()
    index = json.loads((folder / "reports" / "index.json").read_text())
    assert index["counts"]["tanks"] == 3


LOADING, AT_WORK = 3, 5
"""Processes: the command, what tidies up after all, and the one that loads; then two workers."""


@pytest.mark.sampler
@pytest.mark.skipif(sys.platform != "linux", reason="process groups")
@pytest.mark.parametrize(
    ("number", "processes"),
    [
        pytest.param(signal.SIGINT, LOADING, id="Ctrl-C while loading"),
        pytest.param(signal.SIGINT, AT_WORK, id="Ctrl-C at work"),
        pytest.param(signal.SIGTERM, AT_WORK, id="kill"),
        pytest.param(signal.SIGKILL, AT_WORK, id="kill -9"),
    ],
)
def test_a_stopped_run_leaves_no_process_and_no_part_of_a_file(farm, number, processes):
    """Ctrl-C reaches the whole group, `kill` the command alone; each ends all in silence."""
    folder = farm(*(f"t{i}" for i in range(8)))
    process = command("report", folder, "--jobs", "2", start_new_session=True)
    deadline = time.monotonic() + 60
    while len(members(process.pid)) < processes and time.monotonic() < deadline:
        time.sleep(0.1)
    time.sleep(0.5)
    assert process.poll() is None
    if number == signal.SIGINT:
        os.killpg(process.pid, number)
    else:
        process.send_signal(number)
    process.wait(5)
    out, err = process.communicate(timeout=60)
    assert (out, err) == (b"", b"")
    assert process.returncode == (-number if number == signal.SIGKILL else 128 + number)
    deadline = time.monotonic() + 10
    while members(process.pid) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert members(process.pid) == []
    left = [path.name for path in (folder / "reports").iterdir()]
    assert not [name for name in left if name.startswith((".", "index"))]


@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not on this machine")
def test_the_index_is_sound_in_a_browser(mixed, tmp_path):
    """Light and dark, phone and desk: no message, no outside request, no overflow, axe content."""
    playwright = pytest.importorskip("playwright.sync_api")
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    outcomes = [*mixed, outcome("x" * 150, build_study("hostile"))]
    path = tmp_path / "index.html"
    path.write_text(render_index(build_index(outcomes, seed=1)), encoding="utf-8")
    said, asked = [], []
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        for scheme in ("light", "dark"):
            page = browser.new_page(color_scheme=scheme)
            page.on("console", lambda message: said.append(message.text))
            page.on("request", lambda request: asked.append(request.url))
            page.goto(path.as_uri())
            for width in (320, 390, 1200):
                page.set_viewport_size({"width": width, "height": 844})
                wider = "document.documentElement.scrollWidth - window.innerWidth"
                assert page.evaluate(wider) <= 0
                found = axe.Axe().run(page)
                assert found.violations_count == 0, found.generate_report()
        browser.close()
    assert said == []
    assert all(url.startswith("file:") for url in asked)
