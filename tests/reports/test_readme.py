"""What the README tells a keeper to type works as it stands there."""

from __future__ import annotations

import re
import shlex
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from reports.cli import main

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
COMMANDS = [
    line
    for block in re.findall(r"```console\n(.*?)```", README, re.DOTALL)
    for line in block.splitlines()
    if line.startswith("uptake ")
]
ANSWERS = """\
volume = "620 L"
solution_1 = "soda"
solution_1_by = "meq"
solution_1_amount = 1.9
reactor = "yes"
pump_most = 3000
"""


def test_the_keeper_s_commands_in_their_order(tmp_path, monkeypatch):
    """`new`, `add` and `check` run; `report` and `next`, which take long, know their options."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("estimator.inputs.read._MIN_ALKALINITY_TIMES", 1)
    Path("answers.toml").write_text(ANSWERS)
    today = datetime.now()
    ran = []
    for command in COMMANDS:
        # The dates of the README, moved to this day: a log does not span years of silence.
        line = re.sub(r"2026-\d\d-\d\d", f"{today:%Y-%m-%d}", command)
        name, *arguments = shlex.split(line)[1:]
        ran.append(name)
        if name == "new":
            arguments += ["--answers", "answers.toml"]
        help_only = ["--help"] if name in ("report", "next") else []
        result = CliRunner().invoke(main, [name, *arguments, *help_only])
        assert result.exit_code == 0, (line, result.output)
    assert ran == ["new", *["add"] * 4, "report", "next", "check"]


@pytest.mark.parametrize(
    "words",
    [
        "write a decimal point",
        "the new row (not added)",
        "did you mean ",
        "is there already and is never written over",
        "what stands there is not known as a file that this program wrote",
        "Odd, so look again: ",
        "How the band holds cannot be told",
        "Check first: ",
        "Flagged",
    ],
)
def test_what_it_says_when_it_says_no_is_in_the_program(words):
    """A message that is reworded is reworded in the README as well."""
    assert words in README
    folder = Path(__file__).parents[2]
    source = "".join(
        path.read_text(encoding="utf-8")
        for package in ("estimator/inputs", "reports")
        for path in sorted((folder / package).rglob("*.py"))
    )
    joined = re.sub(r'"\s*\n\s*f?"', "", source)
    assert words in joined
