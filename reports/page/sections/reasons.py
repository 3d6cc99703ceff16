"""Why: uptake and levels, the kits, and the dosing that would hold the level."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from reports.blocks import Block, Prose, Table, Text, decimals_of, pointer
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import DECIMALS, user_text


def _answer(n: Report) -> Text:
    if not n.shown:
        return "no estimate is shown"
    calcium = " and {at/calcium/now:middle {ca}/day} {ca} of calcium"
    return n.say(
        "{at/alkalinity/now:middle {alk}/day} {alk} of alkalinity "
        f"({{at/alkalinity/now:span {{alk}}/day}}){calcium if n.calcium_shown else ''}",
        at="/uptake",
        alk=n.unit,
        ca=n.get("/uptake/calcium/unit").removesuffix("/day"),
    )


@section("why", "What the tank uses a day", _answer)
def reasons_section(n: Report) -> Iterator[Block]:
    """Why: uptake, levels, and what else was learnt."""
    if not n.shown:
        yield Prose(n.why_not_shown)
        return
    if n.get("/uptake/alkalinity/net_change_only"):
        yield Prose("No addition is in the log, so “uptake” here is the net change of the level.")
    yield captions.uptake_picture(n)
    yield _estimates(n)
    if n.get("/level_response") is not None:
        yield _level_response(n)
    yield captions.level_picture(n, "alkalinity")
    if n.get("/level_now/calcium") is not None:
        yield captions.level_picture(n, "calcium")
    elif not n.calcium_shown:
        yield Prose(
            "No figure of calcium is shown, because the log's calcium contradicts itself: see what "
            "stands above."
        )
    else:
        yield Prose(
            "Calcium was never tested in the tank, so its uptake is reckoned from that of "
            "alkalinity and its level is not known."
        )
    yield _kit_table(n)
    yield dosing_table(n)


def _estimates(n: Report) -> Table:
    calcium = n.get("/uptake/calcium/unit").removesuffix("/day")
    tested = "" if n.get("/effluent/alkalinity/tested") else " (not tested)"
    quantities = {
        "Alkalinity uptake now": ("/uptake/alkalinity/now", f"{n.unit}/day"),
        "Calcium uptake now": ("/uptake/calcium/now", f"{calcium}/day"),
        "of it, by nitrate": ("/uptake/alkalinity/nitrate_part", f"{n.unit}/day"),
        "Calcium per alkalinity used": ("/calcium_used", f"{calcium} per {n.unit}"),
        "Alkalinity now": ("/level_now/alkalinity", n.unit),
        "Calcium now": ("/level_now/calcium", calcium),
        "Water volume": ("/water_volume", n.get("/water_volume/unit")),
        f"Effluent alkalinity{tested}": ("/effluent/alkalinity", n.unit),
    }
    if n.get("/magnesium") is None:
        dissolves = "Magnesium in what the media dissolves"
        quantities[dissolves] = ("/media_magnesium_share_pct", "%")
    return Table(
        "What the log says (levels are daily means)",
        ["Quantity", "Middle", "9-in-10 range", "Unit"],
        [
            [name, n.middle(at, fine), n.span(at, fine), unit]
            for name, (at, unit) in quantities.items()
            for fine in [DECIMALS.get(unit, 2)]
            if n.get(at) is not None
        ],
        (1, 2),
    )


def _level_response(n: Report) -> Prose:
    """How the uptake answers to the level."""
    return n.para(
        "The tank uses about {at:middle {at_fine}} % more for each {unit} that alkalinity stands "
        "higher ({at:span {at_fine}} %). That evens departures out, beside what the effluent's "
        "flow does.",
        at="/level_response",
        at_fine=2 if n.unit == "mg/L CaCO3" else 0,
        unit=n.unit,
    )


def _kit_table(n: Report) -> Table:
    return Table(
        "Your kits: how far the present bottle reads high, or low where negative (9-in-10 "
        "range), and how far repeated tests scatter",
        ["Kit", "Reads high by, %", "Scatter (sd)", "Unit"],
        [
            n.row(
                "{name} | {at/calibration_pct:span %} | {at/repeatability:middle {fine}} | {unit}",
                name=user_text(name),
                at=pointer("kits", name),
                fine=max(decimals_of(kit["unit"]), 1),
                unit=kit["unit"],
            )
            for name, kit in n.get("/kits").items()
        ],
        (1, 2),
    )


def dosing_table(n: Report) -> Table:
    """Rates of each logged solution that alone hold the level; empty where the fit failed."""
    found = n.get("/dosing") if n.shown else {}
    return Table(
        "Dose rates that hold the level without a reactor: one for alkalinity and one for calcium",
        ["Solution", "Carries", "mL/day", "9-in-10 range"],
        [
            n.row(
                "{either}{name} | {carries} | {at/q50:ml} | {at/q05:ml} to {at/q95:ml}",
                either=_either(found, name),
                name=user_text(name),
                carries=one["carries"],
                at=pointer("dosing", name, "needed"),
            )
            for name, one in found.items()
        ],
        (2, 3),
    )


def _either(found: Mapping[str, Any], name: str) -> str:
    """ "either" and "or" before solutions that carry the same: one of them is enough."""
    alike = [other for other, one in found.items() if one["carries"] == found[name]["carries"]]
    if len(alike) == 1:
        return ""
    return "either " if name == alike[0] else "or "
