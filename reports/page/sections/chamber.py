"""Chamber pH against flow."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from markupsafe import Markup

from reports.blocks import Block, Items, Prose, Table, Text, decimals_of, moment, para, say
from reports.figures import captions
from reports.page.report import Report, section


@section("chamber", "Chamber pH and flow")
def chamber_section(n: Report) -> Iterator[Block]:
    """Chamber pH against flow. Flows are shown only where a setting is recommended."""
    if n.get("/chamber") is not None:
        yield from _odd_effluents(n)
        if n.load_known:
            yield from _trade(n)


def _odd_effluents(n: Report) -> Iterator[Block]:
    """Effluent readings that chemistry cannot give: of each kind the newest, with what to do."""
    odd = n.get("/chamber/odd_effluents")
    items: list[Text] = []
    for *others, newest in _grouped([_advice_of(one) for one in odd]):
        rows = Markup(", ").join(n.whole(f"/chamber/odd_effluents/{i}/row") for i in others)
        items.append(
            say(
                "<strong>Row {}, {}.</strong> {}{}",
                n.whole(f"/chamber/odd_effluents/{newest}/row"),
                moment(odd[newest]["time"]),
                n.words(f"/chamber/odd_effluents/{newest}/remark"),
                say(" Likewise in row {}.", rows) if others else "",
            )
        )
    if items:
        yield Items(items)


def _advice_of(odd_effluent: dict[str, Any]) -> str:
    """What is to be looked for: the same for readings that are odd in the same way."""
    return str(odd_effluent["remark"].split(". ", 1)[-1])


def _grouped(keys: list[str]) -> list[list[int]]:
    """Places of equal keys together, in order of their first."""
    places: dict[str, list[int]] = {}
    for i, key in enumerate(keys):
        places.setdefault(key, []).append(i)
    return list(places.values())


def _trade(n: Report) -> Iterator[Block]:
    yield Prose(_what_to_set(n), "lead")
    if n.get("/chamber/from_priors"):
        yield Prose(
            "No reactor has run yet: these figures are what chambers usually do. Test the "
            "effluent once it runs."
        )
    if not n.get("/chamber/ph_known"):
        yield Prose(
            "Neither log nor tank file states the chamber's pH, so the usual one is taken. "
            "State yours: all else follows from it."
        )
    if n.recommended:
        yield captions.chamber_picture(n)
        yield _points(n)
        yield from _point_cautions(n)
    if n.get("/chamber/second") is not None:
        yield _second_words(n)


def _what_to_set(n: Report) -> Markup:
    region = n.get("/chamber/region")
    if region is None:
        return n.words("/chamber/reasons/0")
    suggested = n("/chamber/region/suggested", "NBS")
    if not n.get("/chamber/ph_known"):
        action = say("Set the chamber to pH {}.", suggested)
    elif region["keep_present"]:
        action = say("Keep the chamber at pH {}.", suggested)
    else:
        present = n("/chamber/present_ph", "NBS")
        action = say("Set the chamber to pH {}; it is at {}.", suggested, present)
    return say(
        "{} From pH {} to {} the CO2 used, all of which the tank must pass on to the air, is near "
        "its least, {} g a day{}.",
        action,
        n("/chamber/region/low", "NBS"),
        n("/chamber/region/high", "NBS"),
        n("/chamber/least_co2_g_per_day", "g/day"),
        ", and the pump can give the needed flow" if n.get("/tank/pump") else "",
    )


def _points(n: Report) -> Table:
    head = ["pH", "Flow, mL/h", f"Effluent, {n.unit}", "CO2, g/day", "Pump can, in 100"]
    shown = len(head) if n.get("/tank/pump") else len(head) - 1

    def row(path: str, point: dict[str, Any]) -> list[Text]:
        now = " (now)" if point["is_present"] and n.get("/chamber/ph_known") else ""
        ph = say("{}{}", n(f"{path}/chamber_ph", "NBS"), now)
        if point["needed_ml_h"] is None:
            return [ph, "hardly dissolves", "", "", ""]
        low, high = (n.flow(f"{path}/needed_ml_h/{q}") for q in ("q05", "q95"))
        return [
            ph,
            say("{} to {}", low, high),
            n.middle(f"{path}/effluent_alkalinity", _coarser(n)),
            n.middle(f"{path}/co2_g_per_day", "g/day"),
            n.odds(f"{path}/inside_probability"),
        ]

    points = enumerate(n.get("/chamber/points"))
    return Table(
        "The same load at other chamber pH (flow: 9-in-10 range)",
        head[:shown],
        [row(f"/chamber/points/{i}", point)[:shown] for i, point in points],
        range(1, shown),
    )


def _coarser(n: Report) -> int:
    """Decimals of an effluent's alkalinity, which is several times the tank's."""
    return max(decimals_of(n.unit) - 1, 0)


def _point_cautions(n: Report) -> Iterator[Block]:
    """Each caution once, with the pH values it holds for."""
    said = [
        (caution, i, j)
        for i, point in enumerate(n.get("/chamber/points"))
        for j, caution in enumerate(point["cautions"])
    ]
    items: list[Text] = []
    for group in _grouped([caution for caution, _, _ in said]):
        _, i, j = said[group[0]]
        at = (n(f"/chamber/points/{said[k][1]}/chamber_ph", "NBS") for k in group)
        caution = n.words(f"/chamber/points/{i}/cautions/{j}")
        items.append(say("pH {}: {}", Markup(", ").join(at), caution))
    if items:
        yield Items(items)


def _second_words(n: Report) -> Prose:
    path = "/chamber/second"
    return para(
        "A second chamber without gas would at most raise the effluent from {} to {} {} and from "
        "pH {} to {}, and save {} of the CO2.",
        *(n(f"{path}/effluent_alkalinity/{i}", _coarser(n)) for i in (0, 1)),
        n.unit,
        *(n(f"{path}/effluent_ph/{i}", "NBS") for i in (0, 1)),
        n.share(f"{path}/co2_saved_share"),
    )
