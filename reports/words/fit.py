"""Words for remarks on the fit and what it rests on."""

from __future__ import annotations

from reports.words.values import Words

WORDS: dict[str, Words] = {}
