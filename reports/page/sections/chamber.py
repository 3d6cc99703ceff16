"""Chamber pH against flow."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from markupsafe import Markup

from reports.blocks import WIDE, Block, Items, Prose, Table, Text, decimals_of, moment, say
from reports.figures import captions
from reports.page.report import Report, section

UNSTEADY = "does not stay where it is set: see what stands at the top"


def _answer(n: Report) -> Text:
    region = n.get("/chamber/region")
    if not n.load_known:
        return "an effluent reading cannot be right"
    if _unsteady(n):
        return UNSTEADY
    if region is None:
        return "no chamber pH suits"
    do = "keep" if n.get("/chamber/ph_known") and region["keep_present"] else "set"
    return n.say("{do} pH {/chamber/region/suggested:NBS}", do=do)


def _unsteady(n: Report) -> bool:
    return any(alarm["about"] == "chamber ph" for alarm in n.get("/alarms"))


@section("chamber", "Chamber pH and flow", _answer)
def chamber_section(n: Report) -> Iterator[Block]:
    """Chamber pH against flow. Flows are shown only where a setting is recommended."""
    if n.get("/chamber") is not None:
        yield _odd_effluents(n)
        if n.load_known:
            yield from _trade(n)


def _odd_effluents(n: Report) -> Items:
    """Effluent readings that chemistry cannot give: of each kind the newest, with what to do."""
    items: list[Text] = []
    for *others, (at, newest) in _grouped(
        n.each("/chamber/odd_effluents"), lambda one: str(one["code"])
    ):
        rows = Markup(", ").join(n.whole(f"{other}/row") for other, _ in others)
        items.append(
            n.say(
                "<strong>Row {at/row}, {time}.</strong> {at/remark:words}{others}",
                at=at,
                time=moment(newest["time"]),
                others=say(" Likewise in row {}.", rows) if others else "",
            )
        )
    return Items(items)


def _grouped(
    items: list[tuple[str, Any]], key: Callable[[Any], str]
) -> list[list[tuple[str, Any]]]:
    """Items of one key together, in order of their first."""
    groups: dict[str, list[tuple[str, Any]]] = {}
    for at, item in items:
        groups.setdefault(key(item), []).append((at, item))
    return list(groups.values())


def _trade(n: Report) -> Iterator[Block]:
    if _unsteady(n):
        # Nothing else holds until that is mended.
        yield Prose(
            f"The chamber's pH {UNSTEADY}. What pH to work at is told once it does again.",
            "lead",
        )
        yield from _most_supply(n)
        return
    yield Prose(_what_to_set(n), "lead")
    yield from _most_supply(n)
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
        yield _point_cautions(n)
    if n.get("/chamber/second") is not None:
        yield n.para(
            "A second chamber without gas would at most raise the effluent from "
            "{at/effluent_alkalinity/0:{fine}} to {at/effluent_alkalinity/1:{fine}} {unit} and "
            "from pH {at/effluent_ph/0:NBS} to {at/effluent_ph/1:NBS}, and save "
            "{at/co2_saved_share:share} of the CO2.",
            at="/chamber/second",
            fine=_coarser(n),
            unit=n.unit,
        )


def _most_supply(n: Report) -> Iterator[Block]:
    """How far the effluent comes towards saturation, and what the chamber can give at most."""
    if not n.get("/effluent/alkalinity/tested"):
        return
    flow = "/flow/current"
    yield n.para(
        "At the chamber's pH of now saturated effluent would hold {at/saturated:middle {fine}} "
        "{unit} ({at/saturated:span {fine}}); {flow} it comes {at/reached_pct:middle 0} % of the "
        "way there ({at/reached_pct:span 0} %). However fast water flows, the chamber gives this "
        "tank at most {most}.",
        at="/effluent",
        fine=_coarser(n),
        unit=n.unit,
        flow=n.say("at {flow:flow} mL/h", flow=flow) if n.get(flow) else "as it ran last",
        most=_most(n),
    )


def _most(n: Report) -> Markup:
    """The chamber's limit, in words where its range spans more than a factor of ten."""
    at, unit = "/effluent/most_supply", f"{n.unit}/day"
    if n.get(f"{at}/q95") > WIDE * n.get(f"{at}/q05"):
        return n.say("{at/q05:{unit}} {unit} or more", at=at, unit=unit)
    return n.say("{at:middle {unit}} {unit} ({at:span {unit}})", at=at, unit=unit)


def _what_to_set(n: Report) -> Markup:
    region = n.get("/chamber/region")
    if region is None:
        return n.words("/chamber/reasons/0")
    do, now = "Set the chamber to", Markup("")
    if n.get("/chamber/ph_known"):
        if region["keep_present"]:
            do = "Keep the chamber at"
        else:
            now = n.say("; it is at {/chamber/present_ph:NBS}")
    return n.say(
        "{do} pH {/chamber/region/suggested:NBS}{now}. From pH {/chamber/region/low:NBS} to "
        "{/chamber/region/high:NBS} the CO2 used, all of which the tank must pass on to the air, "
        "is near its least, {/chamber/least_co2_g_per_day:g/day} g a day{pump}.",
        do=do,
        now=now,
        pump=", and the pump can give the needed flow" if n.get("/tank/pump") else "",
    )


def _points(n: Report) -> Table:
    head = ["pH", "Flow, mL/h", f"Effluent, {n.unit}", "CO2, g/day", "Pump can, in 100"]
    shown = len(head) if n.get("/tank/pump") else len(head) - 1

    def row(at: str, point: dict[str, Any]) -> list[Text]:
        now = " (now)" if point["is_present"] and n.get("/chamber/ph_known") else ""
        needed = point["needed_ml_h"] or {"q05": 0.0, "q95": 0.0}
        wide = needed["q95"] > WIDE * needed["q05"]
        cells = (
            "{at/needed_ml_h/q05:flow} "
            + ("or more | " if wide else "to {at/needed_ml_h/q95:flow} | ")
            + "{at/effluent_alkalinity:middle {fine}} | {at/co2_g_per_day:middle g/day} | "
            "{at/inside_probability:odds}"
        )
        if point["needed_ml_h"] is None:
            cells = "hardly dissolves |  |  | "
        return n.row("{at/chamber_ph:NBS}{now} | " + cells, at=at, now=now, fine=_coarser(n))

    return Table(
        "The same load at other chamber pH (flow: 9-in-10 range)",
        head[:shown],
        [row(at, point)[:shown] for at, point in n.each("/chamber/points")],
        range(1, shown),
    )


def _coarser(n: Report) -> int:
    """Decimals of an effluent's alkalinity, which is several times the tank's."""
    return max(decimals_of(n.unit) - 1, 0)


def _point_cautions(n: Report) -> Items:
    """Each caution once, with the pH values it holds for."""
    cautions = [
        (f"{at}/cautions/{j}", (caution, n(f"{at}/chamber_ph", "NBS")))
        for at, point in n.each("/chamber/points")
        for j, caution in enumerate(point["cautions"])
    ]
    return Items(
        [
            say("pH {}: {}", Markup(", ").join(ph for _, (_, ph) in group), n.words(group[0][0]))
            for group in _grouped(cautions, lambda one: str(one[0]))
        ]
    )
