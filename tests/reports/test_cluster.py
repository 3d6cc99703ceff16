"""A folder's tanks on a Dask cluster: a scheduler and two worker processes on this machine."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from estimator.errors import ClusterError
from helpers.farms import BAD_LOG, LOG, TANK
from reports import cluster
from reports.cli import main
from reports.many import find_jobs, read_task

ROOT = Path(__file__).parents[2]
NAMES = ("a", "b")
NOBODY = "tcp://127.0.0.1:9"


def started(*arguments: object, cwd: Path | None = None, **options) -> subprocess.Popen:
    """A process of this Python that finds the program, which need not be installed."""
    return subprocess.Popen(
        [sys.executable, *map(str, arguments)],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=cwd,
        **options,
    )


@dataclass
class Cluster:
    """A running cluster: where its scheduler answers, and its processes."""

    folder: Path
    scheduler: subprocess.Popen
    workers: list[subprocess.Popen]

    @property
    def address(self) -> str:
        return json.loads((self.folder / "scheduler.json").read_text())["address"]

    def add_worker(self, threads: int = 1) -> subprocess.Popen:
        """One more, in a folder in which nothing can be found by a relative path."""
        module = ("-m", "distributed.cli.dask_worker", "--no-nanny", "--no-dashboard")
        where = ("--scheduler-file", "scheduler.json", "--nthreads", threads)
        self.workers.append(started(*module, *where, cwd=self.folder))
        return self.workers[-1]


@pytest.fixture(scope="module")
def running(tmp_path_factory) -> Iterator[Cluster]:
    """A cluster that is there for all tests of this file."""
    pytest.importorskip("distributed")
    folder = tmp_path_factory.mktemp("cluster")
    module = ("-m", "distributed.cli.dask_scheduler", "--no-dashboard", "--host", "127.0.0.1")
    where = ("--port", 0, "--scheduler-file", "scheduler.json")
    one = Cluster(folder, started(*module, *where, cwd=folder), [])
    try:
        for _ in range(2):
            one.add_worker()
        wait_for(lambda: (folder / "scheduler.json").exists())
        yield one
    finally:
        for process in (*one.workers, one.scheduler):
            process.kill()
            process.communicate()


@pytest.fixture
def client(running):
    """A second client of the cluster, to look at it."""
    from distributed import Client

    with Client(running.address, set_as_default=False) as one:
        one.wait_for_workers(1, timeout=30)
        yield one


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with two tanks, the current one being above it."""
    monkeypatch.chdir(tmp_path)
    made = tmp_path / "farm"
    made.mkdir()
    (made / "tank.toml").write_text(TANK)
    for name in NAMES:
        (made / f"{name}.csv").write_text(LOG)
    return Path("farm")


@pytest.fixture(scope="module")
def alone(tmp_path_factory) -> dict[str, bytes]:
    """The report of the first tank as this machine makes it."""
    made = tmp_path_factory.mktemp("alone")
    (made / "tank.toml").write_text(TANK)
    (made / "a.csv").write_text(LOG)
    assert run("report", made, "--seed", 4).exit_code == 0
    return written(made)


def run(*arguments):
    return CliRunner().invoke(main, list(map(str, arguments)))


def wait_for(there, seconds: float = 60) -> None:
    """Wait until a thing is there; the test fails where it does not come."""
    end = time.monotonic() + seconds
    while not there():
        assert time.monotonic() < end
        time.sleep(0.05)


def written(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (folder / "reports").glob("*-report.*")}


def begun(folder: Path, running: Cluster, client, tanks: int) -> subprocess.Popen:
    """The command over the folder, once that many tanks are in workers' hands."""
    code = "from reports.cli import main; main()"
    order = ("report", folder, "--seed", 4, "--scheduler", running.address)
    process = started("-c", code, *order)
    wait_for(lambda: sum(map(bool, client.processing().values())) == tanks or process.poll())
    time.sleep(0.5)
    assert process.poll() is None
    return process


def test_what_is_not_there_is_named_and_nothing_written(folder, monkeypatch):
    """Nobody at the address, no address, another speaker, no package: the rule, what was found and
    the remedy, before the folder of the reports is made."""
    pytest.importorskip("distributed")
    monkeypatch.setattr(cluster, "PATIENCE_S", 0.5)
    other = socket.create_server(("127.0.0.1", 0))
    threading.Thread(target=lambda: other.accept()[0].send(b"HTTP/1.1 400 no\r\n" * 9)).start()
    elsewhere = f"tcp://127.0.0.1:{other.getsockname()[1]}"
    for address in (NOBODY, "nonsense", elsewhere):
        result = run("report", folder, "--scheduler", address)
        assert result.exit_code == 2
        rule = "--scheduler must name a running Dask scheduler, as tcp://HOST:PORT"
        assert f"{rule}; found {address!r}, where nobody answers" in result.output
        assert "start one: dask scheduler" in result.output
        assert len(result.output.splitlines()) == 1
    other.close()
    assert not (folder / "reports").exists()


def test_without_the_package_the_extra_is_named(folder, monkeypatch):
    """Most keepers have no cluster, and need not install what speaks to one."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    result = run("report", folder, "--scheduler", NOBODY)
    assert result.exit_code == 2
    assert "'.[cluster]'" in result.output
    assert not (folder / "reports").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["farm/a.csv", "--tank", "farm/tank.toml"], "--scheduler is for a folder"),
        (["farm", "--jobs", "2"], "--jobs is for this machine"),
    ],
)
def test_an_option_that_does_not_fit_is_refused(folder, arguments, words):
    """It is not silently ignored."""
    result = run("report", *arguments, "--scheduler", NOBODY)
    assert result.exit_code == 2
    assert words in result.output


def test_a_worker_of_another_kind_is_refused(folder, running, monkeypatch):
    """Other versions make other bytes."""
    kind = cluster.made_by()
    monkeypatch.setattr(cluster, "made_by", lambda: kind | {"pymc": "0.1"})
    result = run("report", folder, "--scheduler", running.address)
    assert result.exit_code == 2
    assert f"has pymc {kind['pymc']} where 0.1 is needed" in result.output
    assert "start each worker where the same versions" in result.output
    assert not (folder / "reports").exists()


def test_a_worker_with_threads_is_refused(folder, running, client):
    """They would take turns, and processors stand idle."""
    others = len(client.nthreads())
    double = running.add_worker(threads=2)
    client.wait_for_workers(others + 1, timeout=30)
    result = run("report", folder, "--scheduler", running.address)
    double.kill()
    assert result.exit_code == 2
    assert "has 2 threads where 1 is needed" in result.output
    assert not (folder / "reports").exists()
    wait_for(lambda: len(client.nthreads()) == others)


def test_a_worker_that_comes_late_is_looked_at_too(folder):
    """Its tank has failed, and nothing of another version is written."""
    pytest.importorskip("distributed")
    job = find_jobs(folder, folder, None, seed=1, now=datetime(2026, 5, 1))[0]
    wanted = cluster.made_by() | {"numpy": "0.1"}
    outcome = cluster._on_worker(read_task(job), wanted)
    assert outcome.status == "failed"
    assert "where 0.1 is needed" in outcome.messages[0]


def test_a_scheduler_without_workers_is_told():
    """The tanks would wait without a word."""

    class NoWorkers:
        def wait_for_workers(self, count, timeout):
            raise TimeoutError

    with pytest.raises(ClusterError, match="has no workers; start some: dask worker tcp://x:1"):
        cluster._look_at_workers(NoWorkers(), "tcp://x:1")


def test_a_worker_without_the_program_is_told_from_one_with_another(folder):
    """What it says instead of its versions comes out."""
    told = cluster._unlike(ModuleNotFoundError("No module named 'reports'"))
    assert "has not this version of the program" in told
    assert "No module named 'reports'" in told


@pytest.mark.sampler
def test_same_bytes_from_a_cluster_even_where_a_worker_is_killed(folder, running, client, alone):
    """Files are read and written here, and a tank at fault does not stop the others. What the dead
    worker had in hand the other one does: nobody is told, and no byte differs. The second tank has
    the log of the first, and so but for its name the same figures."""
    (folder / "c.csv").write_text(BAD_LOG)
    client.wait_for_workers(2, timeout=30)
    process = begun(folder, running, client, tanks=2)
    running.workers[0].kill()
    out, err = process.communicate(timeout=300)
    assert process.returncode == 2, err
    assert err == b""
    assert out.startswith(b"3 tanks: ")
    assert b"c.csv, row 2" in out
    found = written(folder)
    assert set(found) == {
        f"{name}-report{suffix}" for name in NAMES for suffix in (".html", ".json")
    }
    assert {name: found[name] for name in alone} == alone
    assert found["b-report.json"] == alone["a-report.json"].replace(b'"a.csv"', b'"b.csv"')
    index = json.loads((folder / "reports" / "index.json").read_text())
    assert index["counts"] == {
        "tanks": 3,
        "recommended": 2,
        "withheld": 0,
        "bad_input": 1,
        "failed": 0,
    }


@pytest.mark.sampler
def test_ctrl_c_drops_what_is_pending(folder, running, client):
    """The cluster is free for others, and the command ends in silence at once."""
    process = begun(folder, running, client, tanks=1)
    process.send_signal(signal.SIGINT)
    assert process.communicate(timeout=10) == (b"", b"")
    assert process.returncode == 130

    def tasks(dask_scheduler):
        return len(dask_scheduler.tasks)

    wait_for(lambda: client.run_on_scheduler(tasks) == 0, 5)
    assert list((folder / "reports").iterdir()) == []


@pytest.mark.sampler
def test_a_lost_scheduler_is_told(folder, running, client):
    """How many tanks are left, and what to do; the last test, since it ends the cluster."""
    process = begun(folder, running, client, tanks=1)
    running.scheduler.kill()
    out, err = process.communicate(timeout=30)
    assert process.returncode == 2
    assert out == b""
    assert b"the scheduler was lost" in err
    assert b"tanks to go: 2;" in err
    assert len(err.splitlines()) == 1
