"""Whether the fit can be trusted: how the readings lie about the model, and how sampling went."""

from __future__ import annotations

from collections.abc import Iterator

from reports.blocks import Block, Prose, Table, Text, moment, say
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import DECIMALS, needed_decimals, plain, user_text

PLACES = frozenset({"tank", "effluent", "chamber"})
CHECK_HEAD = ("Check", "Found", "Limit", "Verdict")
ENTRY_HEAD = ("Row", "Time", "What", "Where", "Value", "Unit")


@section("trust", "Can the fit be trusted")
def trust_section(n: Report) -> Iterator[Block]:
    """Can the fit be trusted."""
    yield captions.residuals_picture(n)
    yield from _scatter(n)
    yield from _odd(n)
    yield _sampling(n)
    yield from _flagged_entries(n)


def _passed(held: bool) -> str:
    return "passed" if held else "failed"


def _scatter(n: Report) -> Iterator[Block]:
    """Do the readings lie about the model as their kits should."""
    path = "/reading_checks"
    found = n.get(path)

    def inside(words: str, name: str) -> list[Text]:
        return [
            words,
            say("{} %", n.whole(f"{path}/{name}_pct")),
            say("at least {} %", n.whole(f"{path}/{name}_least_pct")),
            _passed(found[f"{name}_pct"] >= found[f"{name}_least_pct"]),
        ]

    yield Table(
        "Do the readings lie about the model as their kits should?",
        CHECK_HEAD,
        [
            inside("Inside their middle-half range", "in_50"),
            inside("Inside their 9-in-10 range", "in_90"),
            [
                "Changes of side, alkalinity (more is better)",
                n.whole(f"{path}/runs"),
                say("at least {}", n.whole(f"{path}/runs_least")),
                _passed(found["runs"] >= found["runs_least"]),
            ],
        ],
        (1,),
    )
    if found["passes"]:
        yield Prose("They do: the model leaves nothing visible out.")
    else:
        yield Prose(
            "They do not: the model misses something. Look for an entry that is missing from the "
            "log, such as a dose, a water change or a new bottle of reagent."
        )


def _sampling(n: Report) -> Table:
    path = "/diagnostics"
    found = n.get(path)
    shown_only = ["", "shown only"]
    rows: list[list[Text]] = [
        [
            "Chains agree (largest R-hat)",
            n(f"{path}/r_hat_max", 3),
            say("at most {}", n(f"{path}/r_hat_limit", 2)),
            _passed((found["r_hat_max"] or 9) <= found["r_hat_limit"]),
        ],
        [
            "Independent draws, middle (fewest)",
            n.whole(f"{path}/ess_bulk_min"),
            say("at least {}", n.whole(f"{path}/ess_limit")),
            _passed((found["ess_bulk_min"] or 0) >= found["ess_limit"]),
        ],
        ["Independent draws, ends (fewest)", n.whole(f"{path}/ess_tail_min"), *shown_only],
        [
            "Divergent steps",
            n.whole(f"{path}/divergences"),
            say("at most {}", n.whole(f"{path}/divergences_limit")),
            _passed(found["divergences"] <= found["divergences_limit"]),
        ],
        [
            "Chains, and draws of each",
            say("{} × {}", n.whole(f"{path}/chains"), n.whole(f"{path}/draws")),
            *shown_only,
        ],
    ]
    return Table("Checks of the sampling", CHECK_HEAD, rows, (1,))


def entry_cells(n: Report, path: str) -> list[Text]:
    """Row, time, what, where, value and unit of one entry of the twin, as in `ENTRY_HEAD`."""
    entry = n.get(path)
    unit = entry["unit"]
    value: Text = ""
    if entry["value"] is not None:
        # As many decimals as the keeper wrote, within reason: values were read from text.
        value = n(f"{path}/value", needed_decimals(entry["value"], DECIMALS.get(unit, 2)))
    where = entry["of"] if entry["of"] in PLACES else user_text(entry["of"])
    name = entry["entry"].replace("_", " ")
    shown = "" if unit == "NBS" else unit
    return [n.whole(f"{path}/row"), moment(entry["time"]), name, where, value, shown]


def _odd(n: Report) -> Iterator[Block]:
    odd = [f"/odd_readings/{i}" for i in range(len(n.get("/odd_readings")))]
    if not odd:
        yield Prose("No reading looks odd.")
        return
    yield Table(
        "Odd readings: likely a slip, or far from what all others say",
        [*ENTRY_HEAD, "Chance ordinary"],
        [[*entry_cells(n, path), n.small_chance(f"{path}/chance_ordinary")] for path in odd],
        (4, 6),
    )
    yield Prose(
        "An odd reading counts little in the fit. If the newest test is odd, test again before you "
        "change anything; do not react to a single reading."
    )


def _flagged_entries(n: Report) -> Iterator[Block]:
    flagged = n.get("/flagged")
    if flagged:
        yield Table(
            "Entries flagged on reading the log (kept)",
            [*ENTRY_HEAD, "Why"],
            [
                [*entry_cells(n, f"/flagged/{i}"), plain("; ".join(entry["flags"]))]
                for i, entry in enumerate(flagged)
            ],
            (4,),
        )
