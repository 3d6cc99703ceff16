"""Whether something changed lately, and the test that would tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from markupsafe import Markup

from reports.blocks import Block, Folded, Items, Prose, Table, day, say
from reports.page.report import Report, section
from reports.wording import user_text

CHANGES_SHOWN = 6
CHANGE_WORDS: Mapping[tuple[str, str], str] = {
    ("uptake", "up"): "the tank uses more than it did",
    ("uptake", "down"): "the tank uses less than it did",
    ("effluent", "up"): "the effluent is stronger, or more of it flows",
    ("effluent", "down"): "the effluent is weaker, or less of it flows",
    ("kit", "up"): "kit {} reads higher than it did",
    ("kit", "down"): "kit {} reads lower than it did",
}


@section("watch", "Has something changed lately?")
def watch_section(n: Report) -> Iterator[Block]:
    """What may have changed in the last days, and the test that would tell."""
    found = n.get("/watch")
    if found is None or not found["days"]:
        return
    yield Prose(_change_verdict(n), "lead")
    if found["changes"]:
        quiet = found["can_tell"] and found["likeliest"] is None
        if quiet and found["nothing_probability"] >= 0.5:
            yield Folded("What could have changed", list(_changes(n)))
        else:
            yield from _changes(n)


def _change_verdict(n: Report) -> Markup:
    found = n.get("/watch")
    days = say("the last {} days", n.whole("/watch/window_days"))
    if not found["can_tell"]:
        return say(
            "The log cannot tell whether something changed in {}. If you suspect it, {}.",
            days,
            n.words("/watch/changes/0/test"),
        )
    likeliest = found["likeliest"]
    if likeliest is not None:
        path = f"/watch/changes/{likeliest}"
        return say(
            "It is {}: by about {}, in {}, most likely around {}. What usually lies behind it: {}. "
            "To be sure, {}.",
            n.chance(f"{path}/probability", _change_words(n, likeliest), "it did not change"),
            _size_words(n, likeliest),
            days,
            day(n.get(f"{path}/most_likely_on")),
            n.words(f"{path}/cause"),
            n.words(f"{path}/test"),
        )
    if found["nothing_probability"] >= 0.5:
        return say(
            "Nothing to do: it is {} in {}.",
            n.chance("/watch/nothing_probability", "nothing changed", "something changed"),
            days,
        )
    return say(
        "Perhaps ({} in 100) something changed in {}, but what is not clear. First suspect, {} in "
        "100: {}. To tell, {}.",
        n.left("/watch/nothing_probability"),
        days,
        n.odds("/watch/changes/0/probability"),
        _change_words(n, 0),
        n.words("/watch/changes/0/test"),
    )


def _change_words(n: Report, i: int) -> Markup:
    change = n.get(f"/watch/changes/{i}")
    return say(CHANGE_WORDS[change["kind"], change["direction"]], user_text(change["of"]))


def _size_words(n: Report, i: int) -> Markup:
    path = f"/watch/changes/{i}/size"
    unit = n.get(f"{path}/unit")
    return say("{} {} ({})", n.middle(path, unit), unit, n.span(path, unit))


def _changes(n: Report) -> Iterator[Block]:
    """The likeliest changes, and for each kind of them the test that tells."""
    shown = n.get("/watch/changes")[:CHANGES_SHOWN]
    yield Table(
        "What may have changed; only one of them is taken to have happened",
        ["Change", "Chance in 100", "By how much, if so"],
        [
            [
                _capital(_change_words(n, i)),
                n.odds(f"/watch/changes/{i}/probability"),
                _size_words(n, i),
            ]
            for i in range(len(shown))
        ],
        (1,),
    )
    first: dict[str, int] = {}
    for i, change in enumerate(shown):
        first.setdefault(change["kind"], i)
    yield Prose("What tells them apart:")
    yield Items(
        [
            say("<strong>{}:</strong> {}.", kind.capitalize(), n.words(f"/watch/changes/{i}/test"))
            for kind, i in first.items()
        ]
    )


def _capital(words: Markup) -> Markup:
    """A capital at the start of words that begin without markup."""
    return Markup(words[:1].upper()) + words[1:]
