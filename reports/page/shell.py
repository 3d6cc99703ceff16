"""One self-contained HTML file: no script, no outside request, every text escaped."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

from estimator.processes import beside
from reports.blocks import Section, moment
from reports.page.contents import SECTIONS
from reports.page.report import Report, SectionMaker
from reports.template import fill_page
from reports.wording import plain

SIZE_LIMIT_BYTES = 750 * 1024
"""Browsers on phones load this at once."""


def render(twin: dict[str, Any], twin_name: str, cores: int | None = None) -> str:
    """The page.

    Args:
        twin: the JSON twin of a study, from which every printed number is read.
        twin_name: file name of the twin.
        cores: that may be used; None: all.
    """
    report = Report(twin, twin_name)

    def made(makers: Sequence[SectionMaker]) -> list[Section]:
        return [found for section in makers if (found := section(report)) is not None]

    # Half of the figures are drawn by another process.
    half = len(SECTIONS) // 2
    later = beside(partial(made, SECTIONS[half:]), cores)
    sections = made(SECTIONS[:half]) + later()
    return fill_page(
        "reports.page",
        "page.html.jinja",
        tank_name=plain(twin["tank"]["name"]),
        as_of=moment(twin["as_of"]),
        sections=sections,
    )
