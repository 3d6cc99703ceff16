"""The real command, run in this process, and what must hold for whatever it prints."""

from __future__ import annotations

from click.testing import CliRunner, Result

from reports.cli import main

COLUMNS, LINES = 120, 24
"""One screen."""


def check_screen(result: Result) -> None:
    """No traceback, no raw control character, and all of it on one screen."""
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    lines = result.output.split("\n")
    assert all(line.isprintable() for line in lines), repr(result.output)
    assert sum(-(-max(len(line), 1) // COLUMNS) for line in lines[:-1]) <= LINES, result.output


def run(*arguments: str) -> Result:
    """The command; its output is checked on the way."""
    result = CliRunner().invoke(main, list(arguments))
    check_screen(result)
    return result
