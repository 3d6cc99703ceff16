"""When to refill media and CO2, what a day uses, and magnesium."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from estimator.advice.supplies import MOST_DAYS
from reports.blocks import Block, Items, Prose, Table, Text, day, say, short_day
from reports.page.report import Report, section

STOCKS = {
    "media": ("Top up the media", ", when half is left", "media_kg"),
    "co2": ("Change the CO2 cylinder", ", at the latest: leaks make it sooner", "co2_charge_g"),
}
"""What to do about each stock, with which proviso, and the tank file's key for what was filled."""
MOST_SHARE_PCT = 1000
"""Shares of magnesium beyond this say only that hardly anything dissolves."""


def _answer(n: Report) -> Text:
    known = [name for name in STOCKS if n.get(f"/supplies/{name}") is not None]
    if known:
        return Markup(", ").join(_until(n, name) for name in known)
    return n.say(
        "{would}{/supplies/media_g_per_day:middle 0} g of media and "
        "{/supplies/co2_g_per_day:middle 0} g of CO2 a day",
        would="a reactor would use " if n.planned else "",
    )


def _until(n: Report, name: str) -> Markup:
    """ "media until about 24 May"."""
    shown = {"media": "media", "co2": "CO2"}[name]
    on = n.get(f"/supplies/{name}/refill_on/middle")
    if n.get(f"/supplies/{name}/refill_days/q50") < 1:
        return say("{} due now", shown)
    if on is None:
        return say("{} for ten years or more", shown)
    return say("{} until about {}", shown, short_day(on))


@section("supplies", "Supplies", _answer)
def supplies_section(n: Report) -> Iterator[Block]:
    """When to refill, what a day uses, and magnesium."""
    if n.get("/chamber") is None or not n.load_known:
        return
    known = [name for name in STOCKS if n.get(f"/supplies/{name}") is not None]
    if known:
        yield Prose(Markup(" ").join(_refill(n, name) for name in known), "lead")
    yield _stock_table(n, known)
    missing = [key for name, (_, _, key) in STOCKS.items() if name not in known]
    if missing and not n.planned:
        keys = Markup(" and ").join(say("<code>{}</code>", key) for key in missing)
        yield n.para("To be told when to refill, state {keys} in the tank file.", keys=keys)
    yield Items(n.all_words("/supplies/notes"))
    if n.get("/magnesium") is not None:
        yield _magnesium_words(n)


def _refill(n: Report, name: str) -> Markup:
    """When one supply should be refilled."""
    path = f"/supplies/{name}"
    on = n.get(f"{path}/refill_on")
    action, proviso, _ = STOCKS[name]
    if n.get(f"{path}/refill_days/q50") < 1:
        return say("<strong>{} now.</strong>", action)
    if on["middle"] is None:
        return say("{} in ten years or later, at this use.", action)
    between = Markup("")
    if on["latest"] is not None and on["earliest"] != on["latest"]:
        between = say(" ({} to {})", short_day(on["earliest"]), short_day(on["latest"]))
    return say("{} about {}{}{}.", action, day(on["middle"]), between, proviso)


def _stock_table(n: Report, known: list[str]) -> Table:
    def row(name: str, words: str) -> list[Text]:
        use: list[Text] = [words, n.around(f"/supplies/{name}_g_per_day", "g/day")]
        if not known:
            return use
        if name not in known:
            return [*use, "not known", "not known"]
        lasts: Text = "ten years or more"
        if n.get(f"/supplies/{name}_days_left/q50") < MOST_DAYS:
            lasts = n.around(f"/supplies/{name}_days_left", 0)
        left = n.say("{at/left_g:middle 0} ({at/left_share:share})", at=f"/supplies/{name}")
        return [*use, left, lasts]

    return Table(
        "While the reactor carries the whole load: middle (9-in-10 range); leaks are not counted",
        ["Supply", "Use, g/day", *(("Left, g", "Days to empty") if known else ())],
        [row("media", "Media"), row("co2", "CO2")],
    )


def _magnesium_words(n: Report) -> Prose:
    shares = Markup("")
    widest = [n.get(f"/magnesium/{key}/q95") for key in ("needed_share_pct", "share_pct")]
    if all(pct is not None and pct <= MOST_SHARE_PCT for pct in widest):
        shares = n.say(
            " Of the carbonate that dissolves, {/magnesium/needed_share_pct:middle 0} % "
            "({/magnesium/needed_share_pct:span 0}) would have to be magnesium's to hold the "
            "level; now {/magnesium/share_pct:middle 0} % is ({/magnesium/share_pct:span 0})."
        )
    return n.para(
        "<strong>Magnesium.</strong> It is {chance}. Without doses and water changes it would "
        "change by {change/q50:signed {unit}} {unit} a month ({change/q05:signed {unit}} to "
        "{change/q95:signed {unit}}).{shares}{belief}",
        chance=n.chance(
            "/magnesium/keeps_up_probability",
            "the media gives at least the magnesium that the tank uses",
            "the media gives less magnesium than the tank uses",
        ),
        change="/magnesium/change_per_month",
        unit=n.get("/magnesium/unit"),
        shares=shares,
        belief=_belief(n),
    )


def _belief(n: Report) -> Markup:
    """Common practice against what was computed, where a magnesium medium is in."""
    if not n.get("/magnesium/share_pct/q95"):
        return Markup("")
    return n.say(
        " It is said that magnesium medium at about {/magnesium/believed_share:share} of the "
        "volume keeps magnesium (common practice, no source): dissolving like the rest it would "
        "change the level by {/magnesium/believed_change_per_month/q50:signed {unit}} {unit} a "
        "month.",
        unit=n.get("/magnesium/unit"),
    )
