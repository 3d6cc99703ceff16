"""Words for remarks on the change-over."""

from __future__ import annotations

from reports.words.values import Words

WORDS: dict[str, Words] = {}
