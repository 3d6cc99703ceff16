"""Whether something changed lately, and the test that would tell."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Items, Prose, Table, Text, day, say
from reports.page.report import Report, section
from reports.wording import user_text
from reports.words.fit import CHANGES

CHANGES_SHOWN = 6
LEAST_SHOWN = 0.01
"""Less likely changes are left to the twin."""
KINDS = {
    "uptake": "Uptake",
    "additions": "Dosing not as logged",
    "one_addition": "One dose",
    "effluent": "Effluent at once",
    "effluent_fade": "Effluent bit by bit",
    "kit": "Kit",
}
"""What may have changed, by kind."""


def _answer(n: Report) -> Text:
    found, likeliest = n.get("/watch"), n.get("/watch/likeliest")
    if likeliest is not None:
        at = f"/watch/changes/{likeliest}"
        return n.chance(f"{at}/probability", _change_words(n, at), "it did not change")
    if found["quiet"]:
        return n.chance("/watch/nothing_probability", "nothing changed", "something changed")
    return n.say("perhaps ({/watch/nothing_probability:left} in 100), but what is not clear")


@section("watch", "Has something changed lately?", _answer)
def watch_section(n: Report) -> Iterator[Block]:
    """What may have changed in the last days, and the test that would tell."""
    found = n.get("/watch")
    if found is None or not found["days"]:
        return
    yield Prose(_change_verdict(n), "lead")
    if found["changes"]:
        yield from _changes(n)


def _change_verdict(n: Report) -> Markup:
    found, likeliest = n.get("/watch"), n.get("/watch/likeliest")
    if likeliest is not None:
        at = f"/watch/changes/{likeliest}"
        return n.say(
            "It is {chance}: by about {size}, in the last {window}, most likely "
            "around {day}. What usually lies behind it: {at/cause:words}. To be sure, "
            "{at/test:words}.",
            chance=n.chance(f"{at}/probability", _change_words(n, at), "it did not change"),
            size=_size_words(n, at),
            window=_window(n),
            day=day(n.get(f"{at}/most_likely_on")),
            at=at,
        )
    if found["quiet"]:
        return n.say(
            "{lead}it is {chance} in the last {window}.",
            window=_window(n),
            lead="By the alkalinity readings alone " if n.get("/alarms") else "Nothing to do: ",
            chance=n.chance("/watch/nothing_probability", "nothing changed", "something changed"),
        )
    return n.say(
        "Perhaps ({/watch/nothing_probability:left} in 100) something changed in the last "
        "{window}, but what is not clear. First suspect, "
        "{/watch/changes/0/probability:odds} in 100: {change}. To tell, "
        "{/watch/changes/0/test:words}.",
        change=_change_words(n, "/watch/changes/0"),
        window=_window(n),
    )


def _window(n: Report) -> Markup:
    """How far back was looked."""
    return n.say("{/watch/window_days} days")


def _change_words(n: Report, at: str) -> Markup:
    change = n.get(at)
    of = user_text(change["of"]) if change["kind"] == "kit" else change["of"]
    return say(CHANGES[change["kind"], change["direction"]].seen, of)


def _size_words(n: Report, at: str) -> Markup:
    unit = n.get(f"{at}/size/unit")
    return n.say("{at/size:middle {unit}} {unit} ({at/size:span {unit}})", at=at, unit=unit)


def _changes(n: Report) -> Iterator[Block]:
    """The likeliest changes, and for each kind of them the test that tells."""
    first_of = n.each("/watch/changes")[:CHANGES_SHOWN]
    shown = [one for one in first_of if one[1]["probability"] >= LEAST_SHOWN] or first_of[:1]
    yield Table(
        "What may have changed; only one of them is taken to have happened",
        ["Change", "Chance in 100", "By how much, if so"],
        [
            [_capital(_change_words(n, at)), n.odds(f"{at}/probability"), _size_words(n, at)]
            for at, _ in shown
        ],
        (1,),
    )
    first: dict[str, str] = {}
    for at, change in shown:
        first.setdefault(change["kind"], at)
    yield Prose("What tells them apart:")
    yield Items(
        [
            n.say("<strong>{kind}:</strong> {at/test:words}.", kind=KINDS[kind], at=at)
            for kind, at in first.items()
        ]
    )


def _capital(words: Markup) -> Markup:
    """A capital at the start of words that begin without markup."""
    return Markup(words[:1].upper()) + words[1:]
