"""The method in plain words, with what is taken for granted before any reading."""

from __future__ import annotations

from collections.abc import Sequence

from reports.blocks import Block, Items, Prose, Table, Text, pointer, say
from reports.page.report import Report
from reports.wording import DECIMALS

PRIORS = {
    "water_volume_l": ("Water volume", 0),
    "light_ratio": ("Uptake by day over uptake by night", 1),
    "uptake_start_meq_l_d": ("Alkalinity uptake at the start", 2),
    "calcium_share": ("Calcium per alkalinity used", 2),
    "saturated_increment_meq_l": ("Saturated effluent's alkalinity above the tank's", 1),
    "load_share": ("Tank's load, part of the most that the chamber can give", 2),
    "drift_per_root_day": ("Drift of uptake, part per root day", 3),
    "effluent_drift_per_root_day": ("Drift of effluent strength, part per root day", 3),
    "level_response_l_meq": ("Rise of uptake with the level of alkalinity, part", 3),
    "ph_response": ("How far strength follows the chamber's pH readings", 2),
    "unlogged_calcium": ("Calcium that comes or goes unlogged, over what is used", 3),
}
"""For each prior of the model: plain name, and decimals where its unit does not tell them."""


def _prior_rows(n: Report) -> list[list[Text]]:
    """Every prior of the twin, in the order of `PRIORS`; one that is not there by its own name."""
    found = n.get("/priors")
    rows: list[list[Text]] = []
    for name in sorted(found, key=lambda name: [*PRIORS, name].index(name)):
        label, decimals = PRIORS.get(name, (name, 3))
        at = pointer("priors", name, "as_read")
        unit = n.get(f"{at}/unit")
        fine = unit if unit in DECIMALS else decimals
        low, middle, high = (n(f"{at}/{key}", fine) for key in ("q025", "median", "q975"))
        rows.append([label, middle, say("{} to {}", low, high), unit])
    return rows


def method_blocks(n: Report) -> Sequence[Block]:
    """Model, priors, and limits of the method."""
    return [
        Prose(
            "The tank is one well-mixed body of water. Alkalinity and calcium rise by what is "
            "logged as dosed, by the effluent's extra strength times its flow, and by new water; "
            "they fall by uptake, which is higher while the lights are on and at a higher "
            "alkalinity, and drifts slowly from day to day. Effluent comes the nearer to "
            "saturation the slower it flows, follows the chamber's pH as it was read, and never "
            "passes saturation at that pH. Nitrate that builds up also uses alkalinity, where it "
            "was tested. All ways in which the tank, the reactor and the kits could have produced "
            "your readings are weighed by how well they fit (Bayesian inference), so each range "
            "carries every source of uncertainty at once."
        ),
        Prose(
            "Each bottle of each kit may read high or low by a fixed part (5 % where the tank "
            "file states nothing); each kit scatters and rounds to its step. About one reading in "
            "25 is taken to be odd, with an error 4, 16 or 64 times larger, so that a slip "
            "cannot pull the answer away."
        ),
        Table(
            "Taken for granted before any reading (19 times in 20 within the range)",
            ["Quantity", "Middle", "Range", "Unit"],
            _prior_rows(n),
            (1, 2),
        ),
        Prose(
            "Sources: light ratio from Anthony et al. 2013 (Biogeosciences 10:4897) and Sandeman "
            "2012; calcium per alkalinity from Hathorne et al. 2013 (Geochem. Geophys. Geosyst. "
            "14:3730) and Murillo et al. 2014 (PeerJ 2:e249); effluent strength from seawater "
            "carbonate chemistry (PyCO2SYS) at the stated chamber pH. Uptake of home tanks, both "
            "drifts, kit errors and the share of odd readings are common practice without a "
            "published source."
        ),
        Items(
            [
                "Needed flow: the flow that would hold the middle of the alkalinity band while "
                "nothing is dosed. Its range is the 5 % and 95 % points, rounded outward to the "
                "pump's step.",
                "The setting is the one within that range most likely to keep the daily mean in "
                "the band for the days ahead, while uptake and effluent go on drifting.",
                "The report withholds a setting where the sampling fails its checks, where the "
                "ends of the range differ by more than a factor of four, where no uptake is "
                "seen, or where the pump cannot give the needed flow.",
                "Plan: settings, the rule of the tests and reports are followed through futures "
                "drawn from the same ways, with drift and kit error; what does best for your "
                "minutes is taken, what hardly does better than leaving all alone is left, and "
                "chances are told from fresh draws.",
                "Chamber, tank pH and CO2: seawater carbonate chemistry at each pH and flow. What "
                "is usual for tanks and rooms stands in where the log is silent, and is said so.",
                "What changed lately: one sudden change of the last six weeks, of uptake, "
                "effluent, dosing or the kit, is part of the model, and what may have happened is "
                "weighed by how well the readings fit it.",
                "An instrument that reads more than twice a day has an error that lasts from one "
                "reading to the next: its readings are averaged over half days.",
                "Left out: slow precipitation, uneven mixing, and anything not in the log.",
            ]
        ),
    ]
