"""One self-contained HTML file: no script, no outside request, every text escaped."""

from __future__ import annotations

from typing import Any

from reports.blocks import moment
from reports.page.contents import SECTIONS
from reports.page.report import Report
from reports.template import fill_page
from reports.wording import plain

SIZE_LIMIT_BYTES = 750 * 1024
"""Browsers on phones load this at once."""


def render(twin: dict[str, Any], twin_name: str) -> str:
    """The page.

    Args:
        twin: the JSON twin of a study, from which every printed number is read.
        twin_name: file name of the twin.
    """
    report = Report(twin, twin_name)
    return fill_page(
        "reports.page",
        "page.html.jinja",
        tank_name=plain(twin["tank"]["name"]),
        as_of=moment(twin["as_of"]),
        sections=[found for section in SECTIONS if (found := section(report)) is not None],
    )
