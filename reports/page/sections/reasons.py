"""Why: uptake and levels, the kits, and the dosing that would hold the level."""

from __future__ import annotations

from collections.abc import Iterator

from reports.blocks import Block, Prose, Table, decimals_of, pointer
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import user_text

FAILED = "No estimate is shown, because the fit did not pass its own checks."


@section("why", "Why")
def reasons_section(n: Report) -> Iterator[Block]:
    """Why: uptake, levels, and what else was learnt."""
    if not n.sampled_well:
        yield Prose(FAILED)
        return
    if n.get("/uptake/alkalinity/net_change_only"):
        yield Prose("No addition is in the log, so “uptake” here is the net change of the level.")
    yield captions.uptake_picture(n)
    yield _estimates(n)
    yield captions.level_picture(n, "alkalinity")
    if n.get("/level_now/calcium") is not None:
        yield captions.level_picture(n, "calcium")
    else:
        yield Prose(
            "Calcium was never tested in the tank, so its uptake is reckoned from that of "
            "alkalinity and its level is not known."
        )
    yield from _kit_tables(n)
    if not n.planned:
        yield from dosing_tables(n)


def _estimates(n: Report) -> Table:
    alkalinity_per_day, calcium_per_day = (
        n.get(f"/uptake/{name}/unit") for name in ("alkalinity", "calcium")
    )
    rows = [
        n.estimate("Alkalinity uptake now", "/uptake/alkalinity/now", alkalinity_per_day),
        n.estimate("Calcium uptake now", "/uptake/calcium/now", calcium_per_day),
    ]
    nitrate = "/uptake/alkalinity/nitrate_part"
    if n.get(nitrate) is not None:
        rows.append(n.estimate("of it, by nitrate", nitrate, alkalinity_per_day))
    rows += [
        n.estimate("Calcium per alkalinity used", "/calcium_per_alkalinity", "mg/L per dKH", 2),
        n.estimate("Alkalinity now", "/level_now/alkalinity", n.unit),
    ]
    if n.get("/level_now/calcium") is not None:
        unit = n.get("/level_now/calcium/unit")
        rows.append(n.estimate("Calcium now", "/level_now/calcium", unit))
    rows.append(n.estimate("Water volume", "/water_volume_l", "L"))
    tested = n.get("/effluent/alkalinity/tested")
    name = "Effluent alkalinity" if tested else "Effluent alkalinity (not tested)"
    rows.append(n.estimate(name, "/effluent/alkalinity", n.get("/effluent/alkalinity/unit")))
    return Table(
        "What the log says (levels are daily means)",
        ["Quantity", "Middle", "9-in-10 range", "Unit"],
        rows,
        (1, 2),
    )


def _kit_tables(n: Report) -> Iterator[Table]:
    kits = n.get("/kits")
    if kits:
        yield Table(
            "Your kits: how far the present bottle reads high, or low where negative (9-in-10 "
            "range), and how far repeated tests scatter",
            ["Kit", "Reads high by, %", "Scatter (sd)", "Unit"],
            [
                [
                    user_text(name),
                    n.span(pointer("kits", name, "calibration_pct"), "%"),
                    n.middle(
                        pointer("kits", name, "repeatability"), max(decimals_of(kit["unit"]), 1)
                    ),
                    kit["unit"],
                ]
                for name, kit in kits.items()
            ],
            (1, 2),
        )


def dosing_tables(n: Report) -> Iterator[Table]:
    """Rates of each logged solution that alone hold the level."""
    dosing = n.get("/dosing")
    if dosing and n.sampled_well:
        yield Table(
            "Dose rates that hold the level without a reactor, each for what it carries",
            ["Solution", "Carries", "mL/day", "9-in-10 range"],
            [
                [user_text(name), one["carries"], n.middle(at, "mL/day"), n.span(at, "mL/day")]
                for name, one in dosing.items()
                for at in [pointer("dosing", name, "needed")]
            ],
            (2, 3),
        )
