"""How sure the setting is, and how far the model can be trusted."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Prose
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import SCALE, listed

LEVEL_IN_BAND = "/flow/level_in_band_probability"


@section("sure", "How sure")
def certainty_section(n: Report) -> Iterator[Block]:
    """How sure."""
    if n.recommended:
        bridged = n.get("/flow/dosed_beside_meq_per_day") > 0
        dosing = "with the dosing that bridges the gap" if bridged else "without dosing"
        yield n.para(
            "At the {flow}{at_once}, it is {stays}{as_read}.",
            flow="planned flow" if n.planned else "recommended setting",
            at_once=f" made at once, {dosing}" if n.steps else "",
            stays=n.stays("/flow/in_band_probability"),
            as_read=_as_read(n, "/flow/in_band_as_kit_reads"),
        )
    if n.shown and n.get(LEVEL_IN_BAND) < 0.5:
        yield n.para(
            "That counts today's level: it is {now} already, and no flow brings it back at once.",
            now=n.chance(LEVEL_IN_BAND, "it is inside the band", "it is outside the band"),
        )
    if n.shown and n.get("/flow/current_in_band_probability") is not None:
        yield n.para(
            "If everything goes on as now (pump at {/flow/current:flow} mL/h), it is "
            "{stays}{as_read}.",
            stays=n.stays("/flow/current_in_band_probability"),
            as_read=_as_read(n, "/flow/current_in_band_as_kit_reads"),
        )
    if n.recommended:
        yield captions.needed_flow_picture(n)
    yield Prose(SCALE, "aside")
    yield n.para(
        "<strong>Trust in the model: {level}</strong>, because {reasons}. {/trust/odd_readings} of "
        "{/trust/readings_used} readings used look odd "
        "({/trust/odd_share_pct}\N{NO-BREAK SPACE}%).",
        "trust",
        level=n.get("/trust/level"),
        reasons=listed(n.get("/trust/reasons")),
    )
    if n.shown and not n.get("/level_check/checked"):
        # What the range of the level is worth if the kit has shifted, and what to do.
        yield n.para(
            "The range of alkalinity now holds while the kit reads as it always did, and no "
            "reference solution was tested in the last {/level_check/checked_days} days. In "
            "simulated logs whose kit shifted by a twentieth unnoticed it held the truth "
            "{/level_check/held_if_kit_shifted:in_hundred} times in 100 instead of 9 in 10, and "
            "{/level_check/held_if_uptake_follows_saturation:in_hundred} where uptake followed "
            "saturation. Test a reference solution with that kit. The needed flow hardly depends "
            "on it, since tank and effluent are tested alike.",
            "aside",
        )


def _as_read(n: Report, path: str) -> Markup:
    """What the keeper will read meanwhile, which the kit's errors make another matter."""
    every = "{/flow/read_every_days} days" if n.get("/flow/read_every_days") != 1 else "day"
    return n.say(
        f"; as your kit will read, tested every {every}, it is {{chance}}",
        chance=n.chance(
            path, "every reading is within it", "at least one reading is outside the band"
        ),
    )
