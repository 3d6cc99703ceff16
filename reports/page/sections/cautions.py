"""Warnings that fit the run, and the limits of gas, electricity and change."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from markupsafe import Markup

from reports.blocks import Block, Folded, Items, Prose, Table, Text, decimals_of, say
from reports.page.report import Report, section
from reports.wording import needed_decimals

MOST_WARNINGS = 3
"""Many warnings are read as none."""

SURGE = Markup(
    "<strong>A nearly empty cylinder can surge.</strong> Shut the needle valve before you change "
    "it, change it before it runs empty, and think through what a power cut leaves open."
)

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
    "solenoid. Think through what a power cut leaves open. | Common practice, no source",
    "Burst disc and cold | A burst disc lets a whole charge out at once, and escaping liquid burns "
    "by cold: keep hands and face away from valve and disc, leave the room and air it. | Common "
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
        "This is an estimate: local codes, your gas supplier, licensed refillers and electricians, "
        "and a veterinarian prevail over it.",
        "aside",
    )
    table = Table(
        "Limits and habits for gas, electricity and change; where no source is named, common "
        "practice",
        ["Hazard", "What to keep to", "Source"],
        [cells.split(" | ") for cells in SAFETY],
    )
    yield Folded("All cautions on gas, electricity and change, with sources", [table])


def _warnings(n: Report) -> Iterator[Text]:
    """All that fit, the gravest first."""
    flow = n.get("/plan/today/flow_ml_h")
    if flow is not None or n.get("/flow/current"):
        yield (
            say("<strong>CO2 can suffocate, and pools low.</strong> ")
            + "A 2 kg charge makes 1110 L of gas; 4 % in the air is immediately dangerous "
            "(NIOSH). Air the room; an alarm goes low."
        )
        if any(alarm["about"] in ("effluent", "chamber ph") for alarm in n.get("/alarms")):
            yield SURGE
        yield n.say(
            "<strong>Chamber water is acid{ph}.</strong> Have the controller shut the gas when the "
            "tank's pH falls too low.",
            ph=n.say(" (pH {/tank/chamber_ph:1})") if n.get("/tank/chamber_ph") is not None else "",
        )
    if not n.get("/plan/leave_all"):
        yield _slowly(n)
    if flow:
        yield SURGE
    if any(n.get("/plan/today/dose_rates").values()):
        yield say(
            "<strong>Dose slowly and apart.</strong> Alkalinity and calcium solutions precipitate "
            "where they meet undiluted; spread them over the day."
        )
    if flow is None:
        yield say(
            "<strong>Water and electricity.</strong> Ground-fault protection on every circuit, a "
            "drip loop on every cord."
        )


def _slowly(n: Report) -> Text:
    """The limit that the plan keeps to."""
    usual = "" if n.get("/plan/rise_limit_stated") else ", as is common practice"
    return n.say(
        "<strong>Change slowly.</strong> Alkalinity rises by at most {/plan/rise_limit:{fine}} "
        "{unit} a day{usual}.",
        unit=n.unit,
        fine=needed_decimals(n.get("/plan/rise_limit"), decimals_of(n.unit)),
        usual=usual,
    )
