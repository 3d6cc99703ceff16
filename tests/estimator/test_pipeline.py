"""What the process of a report loads, which is not all that a fit needs, and compiles: no more."""

from __future__ import annotations

import subprocess
import sys

import pytest

from estimator.synthetic.demo_case import LOG_NAME, TANK_NAME, make_demo

SHOW = """\
import sys
import reports.cli
import estimator.pipeline
import estimator.fit.fitting
estimator.pipeline._load_later()
reports.cli._load_page()
print(*sorted({"pymc", "arviz", "matplotlib"} & set(sys.modules)))
"""


def test_what_samples_is_loaded_by_another_process():
    """PyMC takes a second to load: nothing before or after the fit may ask for it."""
    command = [sys.executable, "-c", SHOW]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["arviz", "matplotlib"]


COUNT = """\
import sys
from pathlib import Path
from estimator.fit.likelihood import compile_likelihood
from estimator.fit.moves import compile_moves
from estimator.fit.problem import pose
from estimator.pipeline import compile_later, run_study
from estimator.inputs.read import read_inputs
from estimator.synthetic.demo_case import NOW
from numba.core.dispatcher import Dispatcher

inputs = read_inputs(Path(sys.argv[1]), Path(sys.argv[2]), NOW)
problem = pose(inputs.log, inputs.tank)
for compile in (compile_likelihood, compile_moves, compile_later):
    compile(problem)
study = run_study(inputs, cores=1)
assert study.planning is not None
for name, module in sorted(sys.modules.items()):
    for kernel in vars(module).values() if name.startswith("estimator.") else ():
        if isinstance(kernel, Dispatcher) and kernel.__module__ == name and kernel.signatures:
            print(kernel.__name__, len(kernel.signatures))
"""


@pytest.mark.sampler
def test_each_kernel_is_compiled_once(tmp_path):
    """Arguments laid out otherwise would compile it once more, on a keeper's first run."""
    demo = make_demo()
    (tmp_path / LOG_NAME).write_text(demo.log_csv, encoding="utf-8")
    (tmp_path / TANK_NAME).write_text(demo.tank_toml, encoding="utf-8")
    files = [str(tmp_path / name) for name in (LOG_NAME, TANK_NAME)]
    command = [sys.executable, "-c", COUNT, *files]
    done = subprocess.run(command, capture_output=True, text=True)
    assert not done.returncode, done.stderr
    found = dict(line.split() for line in done.stdout.splitlines())
    assert {"hold_kernel", "move_apart", "condition_kernel", "system_of"} <= set(found)
    assert {name for name, times in found.items() if times != "1"} == set()
