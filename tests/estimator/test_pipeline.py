"""What the process of a report loads, which is not all that a fit needs."""

from __future__ import annotations

import subprocess
import sys

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
