"""The sections on the evidence: how far the model can be trusted, and all that was read."""

from __future__ import annotations

from collections.abc import Iterator

from reports.blocks import (
    Block,
    Folded,
    Prose,
    Section,
    Table,
    Text,
    moment,
    say,
)
from reports.figures import captions as pictures
from reports.page.report import Report
from reports.page.sections.method import method_blocks
from reports.wording import (
    DECIMALS,
    needed_decimals,
    plain,
    user_text,
)

MOST_ROWS = 200
"""Readings listed on the page; the twin holds them all."""
PLACES = frozenset({"tank", "effluent", "chamber"})


def trust(report: Report) -> Section:
    """Can the fit be trusted."""
    blocks = [
        pictures.residuals(report.numbers),
        *_scatter(report),
        *_odd(report),
        _checks(report),
        *_flagged(report),
    ]
    return Section("trust", "Can the fit be trusted", blocks)


def _scatter(report: Report) -> Iterator[Block]:
    """Do the readings lie about the model as their kits should."""
    n = report.numbers
    found = n.get("/reading_checks")

    def share(name: str) -> list[Text]:
        held = found[f"{name}_pct"] >= found[f"{name}_least_pct"]
        return [
            say("{} %", n.whole(f"/reading_checks/{name}_pct")),
            say("at least {} %", n.whole(f"/reading_checks/{name}_least_pct")),
            "passed" if held else "failed",
        ]

    runs = found["runs"] >= found["runs_least"]
    yield Table(
        "Do the readings lie about the model as their kits should?",
        ["Check", "Found", "Limit", "Verdict"],
        [
            ["Inside their middle-half range", *share("in_50")],
            ["Inside their 9-in-10 range", *share("in_90")],
            [
                "Changes of side, alkalinity (more is better)",
                n.whole("/reading_checks/runs"),
                say("at least {}", n.whole("/reading_checks/runs_least")),
                "passed" if runs else "failed",
            ],
        ],
        frozenset({1}),
    )
    if found["passes"]:
        yield Prose("They do: the model leaves nothing visible out.")
    else:
        yield Prose(
            "They do not: the model misses something. Look for an entry that is missing from the "
            "log, such as a dose, a water change or a new bottle of reagent."
        )


def _checks(report: Report) -> Table:
    n = report.numbers
    found = n.get("/diagnostics")

    def verdict(passed: bool) -> str:
        return "passed" if passed else "failed"

    rows: list[list[Text]] = [
        [
            "Chains agree (largest R-hat)",
            n("/diagnostics/r_hat_max", 3),
            say("at most {}", n("/diagnostics/r_hat_limit", 2)),
            verdict((found["r_hat_max"] or 9) <= found["r_hat_limit"]),
        ],
        [
            "Independent draws, middle (fewest)",
            n.whole("/diagnostics/ess_bulk_min"),
            say("at least {}", n.whole("/diagnostics/ess_limit")),
            verdict((found["ess_bulk_min"] or 0) >= found["ess_limit"]),
        ],
        [
            "Independent draws, ends (fewest)",
            n.whole("/diagnostics/ess_tail_min"),
            "",
            "shown only",
        ],
        [
            "Divergent steps",
            n.whole("/diagnostics/divergences"),
            say("at most {}", n.whole("/diagnostics/divergences_limit")),
            verdict(found["divergences"] <= found["divergences_limit"]),
        ],
        [
            "Chains, and draws of each",
            say("{} × {}", n.whole("/diagnostics/chains"), n.whole("/diagnostics/draws")),
            "",
            "shown only",
        ],
    ]
    return Table(
        "Checks of the sampling", ["Check", "Found", "Limit", "Verdict"], rows, frozenset({1})
    )


def _entry_cells(report: Report, path: str) -> list[Text]:
    """Row, time, what, where, value and unit of one entry of the twin."""
    n = report.numbers
    entry = n.get(path)
    unit = entry["unit"]
    value: Text = ""
    if entry["value"] is not None:
        # As many decimals as the keeper wrote, within reason: values were read from text.
        decimals = needed_decimals(entry["value"], DECIMALS.get(unit, 2))
        value = n(f"{path}/value", decimals)
    where = entry["of"] if entry["of"] in PLACES else user_text(entry["of"])
    name = entry["entry"].replace("_", " ")
    shown = "" if unit == "NBS" else unit
    return [n.whole(f"{path}/row"), moment(entry["time"]), name, where, value, shown]


ENTRY_HEAD = ("Row", "Time", "What", "Where", "Value", "Unit")


def _odd(report: Report) -> Iterator[Block]:
    n = report.numbers
    odd = n.get("/odd_readings")
    if not odd:
        yield Prose("No reading looks odd.")
        return
    rows = [
        [
            *_entry_cells(report, f"/odd_readings/{i}"),
            n.small_chance(f"/odd_readings/{i}/chance_ordinary"),
        ]
        for i in range(len(odd))
    ]
    yield Table(
        "Odd readings: likely a slip, or far from what all others say",
        [*ENTRY_HEAD, "Chance ordinary"],
        rows,
        frozenset({4, 6}),
    )
    yield Prose(
        "An odd reading counts little in the fit. If the newest test is odd, test again before you "
        "change anything; do not react to a single reading."
    )


def _flagged(report: Report) -> Iterator[Block]:
    flagged = report.numbers.get("/flagged")
    if flagged:
        rows = [
            [*_entry_cells(report, f"/flagged/{i}"), plain("; ".join(entry["flags"]))]
            for i, entry in enumerate(flagged)
        ]
        yield Table(
            "Entries flagged on reading the log (kept)",
            [*ENTRY_HEAD, "Why"],
            rows,
            frozenset({4}),
        )


def record(report: Report) -> Section:
    """All readings, the method, and where the report comes from."""
    return Section(
        "record",
        "Readings, method and provenance",
        [
            Folded("All readings", list(_all_readings(report))),
            Folded("Method", method_blocks(report.numbers)),
            Folded("Provenance", [_provenance(report)]),
        ],
    )


def _all_readings(report: Report) -> Iterator[Block]:
    n = report.numbers
    readings = n.get("/readings")
    first = max(0, len(readings) - MOST_ROWS)
    if first:
        yield Prose(
            say(
                "The newest {} of {} readings; the twin file holds them all.",
                MOST_ROWS,
                n.whole("/inputs/readings"),
            )
        )
    with_notes = any(reading["note"] for reading in readings[first:])
    rows = []
    for i in range(first, len(readings)):
        reading = readings[i]
        off = n(f"/readings/{i}/off_by_kit_errors", 1) if reading["used"] else "not used"
        row = [*_entry_cells(report, f"/readings/{i}"), user_text(reading["kit"]), off]
        rows.append([*row, user_text(reading["note"])] if with_notes else row)
    head = [*ENTRY_HEAD, "Kit", "Off by, kit errors"]
    yield Table(
        "All readings in time order",
        [*head, "Note"] if with_notes else head,
        rows,
        frozenset({4, 7}),
    )


def _provenance(report: Report) -> Table:
    n = report.numbers
    inputs = n.get("/inputs")
    rows: list[list[Text]] = [
        ["Log", user_text(inputs["log_name"])],
        ["Log, SHA-256", say("<code>{}</code>", inputs["log_sha256"])],
        ["Tank file, SHA-256", say("<code>{}</code>", inputs["tank_sha256"])],
        ["Numbers as JSON", user_text(report.twin_name)],
        ["First entry", moment(inputs["first_entry"])],
        ["Last entry", moment(inputs["last_entry"])],
        ["Rows of the log", n.whole("/inputs/rows")],
        [
            "Readings used and not used",
            say(
                "{} and {}", n.whole("/inputs/readings_used"), n.whole("/inputs/readings_not_used")
            ),
        ],
        ["Actions", n.whole("/inputs/actions")],
        ["Rows without a time of day", n.whole("/inputs/rows_without_time")],
        ["Seed", n.whole("/seed")],
    ]
    rows += [[name, version] for name, version in n.get("/versions").items()]
    return Table("Where this report comes from", ["Item", "Value"], rows)
