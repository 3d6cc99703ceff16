"""A page from its template: one file, no script, no outside request, every text escaped."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from reports.recognise import GENERATOR


def fill_page(package: str, name: str, **values: object) -> str:
    """The template `name` of `package` with `values`, and the stylesheet that all pages share."""
    style = _resource("reports.page", "page.css")
    # Not `select_autoescape`, which leaves names that end in ".jinja" unescaped.
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    # The stylesheet and the mark are ours; escaping would break them.
    return environment.from_string(_resource(package, name)).render(
        **values,
        style=Markup(style),
        style_hash=style_hash(style),
        generator=Markup(GENERATOR),
    )


def style_hash(style: str) -> str:
    """Content-Security-Policy source for exactly this stylesheet."""
    digest = hashlib.sha256(style.encode()).digest()
    return "sha256-" + base64.b64encode(digest).decode()


def _resource(package: str, name: str) -> str:
    return files(package).joinpath(name).read_text(encoding="utf-8").replace("\r\n", "\n")
