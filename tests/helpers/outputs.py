"""Pages and twins as short as can be that are known as this program's."""

from __future__ import annotations

import json

from reports.recognise import GENERATOR


def a_page(text: str = "former") -> str:
    """A page with `text` in it."""
    return f"<!DOCTYPE html>\n<head>{GENERATOR}</head>\n{text}"


def a_twin(text: str = "former") -> str:
    """A tank's twin with `text` in it."""
    return json.dumps(
        {"schema_version": 1, "inputs": {}, "status": "withheld", "versions": {}, "text": text}
    )
