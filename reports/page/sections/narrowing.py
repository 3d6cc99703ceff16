"""What would change the answer: where the width of the flow range comes from."""

from __future__ import annotations

from collections.abc import Iterator

from reports.blocks import Block, Prose, Table, Text, pointer
from reports.figures import captions
from reports.page.report import Report, section
from reports.page.sections.next_tests import SETTLE_FIRST, ranked_sources
from reports.wording import sentence
from reports.words.advice import UNKNOWNS


def _answer(n: Report) -> Text:
    if not n.shown:
        return "cannot be told yet"
    ranked = ranked_sources(n)
    return f"mostly {UNKNOWNS[ranked[0]].name}" if ranked else "more readings of any kind"


@section("narrow", "What would change the answer", _answer)
def narrowing_section(n: Report) -> Iterator[Block]:
    """Where the width of the flow range comes from, and what would narrow it."""
    if not n.shown:
        yield Prose(SETTLE_FIRST)
        return
    ranked = ranked_sources(n)
    if not ranked:
        yield Prose("More readings of any kind.")
        return
    parts = {name: n.share(pointer("flow", "variance_shares", name)) for name in ranked}
    source, remedy = UNKNOWNS[ranked[0]]
    if n.get("/flow_hangs_on"):
        yield captions.hangs_on_picture(n)
    yield n.para(
        "Most of what is left open comes from {source} ({part}). To narrow it, {remedy}.",
        source=source,
        part=parts[ranked[0]],
        remedy=remedy,
    )
    yield Table(
        "Where the width of the flow range comes from, most first",
        ["Source", "Part", "What narrows it"],
        [
            [sentence(UNKNOWNS[name].name).removesuffix("."), part, sentence(UNKNOWNS[name].remedy)]
            for name, part in parts.items()
        ],
        (1,),
    )
