"""Words for remarks on the flow, tests and what is unknown."""

from __future__ import annotations

from reports.words.values import Words

WORDS: dict[str, Words] = {}
