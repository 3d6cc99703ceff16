"""How sure the setting is, and how far the model can be trusted."""

from __future__ import annotations

from collections.abc import Iterator

from reports.blocks import Block, Prose, para
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import SCALE, listed


@section("sure", "How sure")
def certainty_section(n: Report) -> Iterator[Block]:
    """How sure."""
    if n.recommended:
        yield para(
            "At the {}{}, it is {}.",
            "planned flow" if n.planned else "recommended setting",
            " made at once, without dosing" if n.steps else "",
            n.stays("/flow/in_band_probability"),
        )
    level_in_band = "/flow/level_in_band_probability"
    if n.sampled_well and n.get(level_in_band) < 0.5:
        yield para(
            "That counts today's level: it is {} already, and no flow brings it back at once.",
            n.chance(level_in_band, "it is inside the band", "it is outside the band"),
        )
    if n.sampled_well and n.get("/flow/current_in_band_probability") is not None:
        yield para(
            "If everything goes on as now (pump at {} mL/h), it is {}.",
            n.flow("/flow/current"),
            n.stays("/flow/current_in_band_probability"),
        )
    if n.recommended:
        yield captions.needed_flow_picture(n)
    yield Prose(SCALE, "aside")
    yield para(
        "<strong>Trust in the model: {}</strong>, because {}. {} of {} readings used look "
        "odd ({}\N{NO-BREAK SPACE}%).",
        n.get("/trust/level"),
        listed(n.get("/trust/reasons")),
        n.whole("/trust/odd_readings"),
        n.whole("/trust/readings_used"),
        n("/trust/odd_share_pct", 0),
        style="trust",
    )
    if n.sampled_well and not n.get("/level_check/checked"):
        yield _level_warning(n)


def _level_warning(n: Report) -> Prose:
    """What the range of the level is worth if the kit has shifted, and what to do."""
    return para(
        "The range of alkalinity now holds while the kit reads as it always did, and no reference "
        "solution was tested in the last {} days. In simulated logs whose kit shifted by a "
        "twentieth unnoticed it held the truth {} times in 100 instead of 9 in 10, and {} where "
        "uptake followed saturation. Test a reference solution with that kit. The needed flow "
        "hardly depends on it, since tank and effluent are tested alike.",
        n.whole("/level_check/checked_days"),
        n.in_hundred("/level_check/held_if_kit_shifted"),
        n.in_hundred("/level_check/held_if_uptake_follows_saturation"),
        style="aside",
    )
