"""Warnings that fit the run, and the limits of gas, electricity and change."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from reports.blocks import Block, Folded, Items, Prose, Table, Text, say
from reports.page.report import Report, section

USUAL_RISE_DKH = "0.5 to 1"
"""Alkalinity rise per day that keepers do not exceed (common practice, no source)."""
MOST_WARNINGS = 3
"""Many warnings are read as none."""


SAFETY = (
    "CO2 in the room's air | 5,000 ppm as a mean over the working day, 30,000 ppm for 15 minutes; "
    "40,000 ppm is immediately dangerous. Air the room; use a CO2 alarm in a small one, low down: "
    "CO2 is heavier than air and pools in cabinets and cellars, at the height of a child or pet. | "
    "NIOSH REL and IDLH, OSHA PEL (5,000 ppm); CAS 124-38-9",
    "CO2 cylinder | Upright and fastened; the regulator made for CO2; below 52 °C (125 °F); tested "
    "anew at the due date by a licensed refiller. | "
    "CGA G-6 as quoted by a cylinder maker; 49 CFR 180.209",
    "Regulator and gas line | A nearly empty cylinder can let the pressure surge: two-stage "
    "regulator, needle valve, and a change before it runs empty. The check valve goes before the "
    "solenoid. Think through what a power cut leaves open. Escaping liquid burns by cold. | Common "
    "practice, no source",
    "Chamber | Calibrate its pH probe every month or two. Discard the first effluent of new media. "
    "A clogged outlet builds pressure and floods. | Common practice, no source",
    "Electricity beside water | Ground-fault protection on every circuit, a drip loop on every "
    "cord. | Your local electrical code",
    "Low pH | Chamber water stands at pH 6.3 to 6.9: keep it off skin and animals, and let it "
    "enter where flow is strong. | Common practice, no source",
    "Fast change | Alkalinity at most 0.5 to 1 dKH a day, calcium 20 to 50 mg/L a day, tank pH 0.2 "
    "a day. | Common practice, no source",
    "This report | It is an estimate. Local codes, the gas supplier, an electrician and a "
    "veterinarian prevail. | ",
)
"""Each hazard, what to keep to, and the source."""


@section("cautions", "Cautions")
def cautions_section(n: Report) -> Iterator[Block]:
    """At most three warnings that fit this run, and who prevails."""
    yield Items(list(islice(_warnings(n), MOST_WARNINGS)))
    yield Prose(
        "This report is an estimate only. Local codes, your gas supplier, a licensed electrician "
        "(ground-fault protection, drip loops) and a veterinarian prevail over it.",
        "aside",
    )
    table = Table(
        "Limits and habits for gas, electricity and change; where no source is named, common "
        "practice",
        ["Hazard", "What to keep to", "Source"],
        [cells.split(" | ") for cells in SAFETY],
    )
    yield Folded("Safety, with sources", [table])


def _warnings(n: Report) -> Iterator[Text]:
    """All that fit, the gravest first."""
    changes = n.get("/flow/action") in ("raise", "lower", "start")
    plan = n.get("/change_over_plan")
    small = plan is not None and plan["kind"] == "nothing to do"
    outside = n.shown and n.get("/flow/level_in_band_probability") < 0.5
    if not n.shown:
        yield say(
            "<strong>Do not act on this report.</strong> {} Keep the settings and test.",
            n.why_not_shown,
        )
    elif (changes and not small) or outside or n.steps:
        yield _slowly(n)
    if n.get("/flow/current") or not n.planned or n.steps:
        ph = "/tank/chamber_ph"
        yield say(
            "<strong>Chamber water is acid</strong>{}. A runaway pump or a CO2 valve stuck "
            "open can harm the animals: check the flow with a measuring jug, and have the "
            "controller shut the gas when the tank's pH falls too low.",
            say(" (yours: pH {})", n(ph, 1)) if n.get(ph) is not None else "",
        )
    yield say(
        "<strong>CO2 can suffocate.</strong> A full 2 kg charge makes about 1110 L of gas: "
        "3.7 % of the air in a closed room of 30 m³, 7.4 % in one of 15 m³, and 4 % is "
        "immediately dangerous (NIOSH). Air the room, fix the cylinder upright, use the right "
        "regulator, and think of a CO2 alarm."
    )
    if n.planned and n.get("/dosing"):
        yield say(
            "<strong>Dose slowly and apart.</strong> Alkalinity and calcium solutions "
            "precipitate where they meet undiluted; spread them over the day."
        )


def _slowly(n: Report) -> Text:
    rise = "/tank/targets/alkalinity/max_rise_per_day"
    limit: Text = f"common practice is a rise of at most {USUAL_RISE_DKH} dKH a day"
    if n.get(rise) is not None:
        limit = n.say("your limit is a rise of {rise:{unit}} {unit} a day", rise=rise, unit=n.unit)
    how = (
        "Keep to the dated steps and to each retest"
        if n.steps
        else "Move the pump in steps over some days and test alkalinity between"
    )
    return say("<strong>Change slowly.</strong> {}; {}.", how, limit)
