"""The program never uses the network."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from helpers.catalogue import LOG, TANK

ROOT = Path(__file__).parents[2]
MAIN = "from reports.cli import main; main()"
NO_FIT = """\
import estimator.pipeline
from estimator.errors import FitError
def stop(*_, **__):
    raise FitError("no fit here")
estimator.pipeline.run_study = stop
"""


@pytest.fixture
def offline(tmp_path):
    """`offline(code, *arguments)`: Python and all that it starts, with the network watched."""
    shutil.copy(Path(__file__).with_name("sitecustomize.py"), tmp_path)
    work = tmp_path / "work"
    work.mkdir()
    (work / "log.csv").write_text(LOG)
    (work / "tank.toml").write_text(TANK)
    watched = tmp_path / "network"
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(tmp_path), str(ROOT)]),
        "NETWORK_LOG": str(watched),
    }

    def call(code, *arguments):
        result = subprocess.run(
            [sys.executable, "-c", code, *arguments],
            cwd=work,
            env=environment,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        return result, watched.read_text() if watched.exists() else "", work

    return call


USES = {
    "connection": "import socket; socket.create_connection(('192.0.2.1', 9), timeout=1)",
    "name": "import socket; socket.getaddrinfo('example.invalid', 80)",
    "page": "import urllib.request; urllib.request.urlopen('http://192.0.2.1/', timeout=1)",
    "datagram": "from socket import *; socket(type=SOCK_DGRAM).sendto(b'', ('192.0.2.1', 9))",
    "child": "import subprocess, sys; subprocess.run([sys.executable, '-c', "
    "'import socket; socket.getaddrinfo(\"example.invalid\", 80)'])",
    "worker": "import concurrent.futures as f, socket\n"
    "f.ProcessPoolExecutor(1).submit(socket.getaddrinfo, 'example.invalid', 80).exception()",
}


@pytest.mark.parametrize("code", USES.values(), ids=USES)
def test_the_watch_sees_every_use(offline, code):
    """Without this the tests below could not fail. The addresses are reserved for documents."""
    _, uses, _ = offline(code)
    assert uses.startswith("socket.")


def test_check_is_offline(offline):
    """Reading needs nothing from outside."""
    result, uses, _ = offline(MAIN, "check", "log.csv", "--tank", "tank.toml")
    assert uses == ""
    assert result.returncode == 0, result.stderr


def test_demo_is_offline(offline):
    """The demo's files are made here, not fetched. The fit is that of any report, which a keeper's
    whole way (`reports/test_keeper.py`) shows to need no network."""
    result, uses, work = offline(NO_FIT + MAIN, "demo", "--dir", "demo")
    assert uses == ""
    assert result.returncode == 2
    assert "no fit here" in result.stderr
    assert len(list((work / "demo").iterdir())) == 2
