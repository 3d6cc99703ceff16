"""One self-contained HTML file: no script, no outside request, every text escaped."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from reports.blocks import moment
from reports.page.contents import SECTIONS
from reports.page.report import Report
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
    style = _resource("page.css")
    # Not `select_autoescape`, which leaves names that end in ".jinja" unescaped.
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(_resource("page.html.jinja")).render(
        tank_name=plain(twin["tank"]["name"]),
        as_of=moment(twin["as_of"]),
        sections=[found for section in SECTIONS if (found := section(report)) is not None],
        # The stylesheet is ours; escaping would break it.
        style=Markup(style),
        style_hash=style_hash(style),
    )


def style_hash(style: str) -> str:
    """Content-Security-Policy source for exactly this stylesheet."""
    digest = hashlib.sha256(style.encode()).digest()
    return "sha256-" + base64.b64encode(digest).decode()


def _resource(name: str) -> str:
    return files("reports.page").joinpath(name).read_text(encoding="utf-8").replace("\r\n", "\n")
