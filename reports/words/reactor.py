"""Words for remarks on chamber, tank pH, supplies and outlook."""

from __future__ import annotations

from reports.words.values import Words

WORDS: dict[str, Words] = {}
