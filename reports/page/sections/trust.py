"""Whether the fit can be trusted: how the readings lie about the model, and how sampling went."""

from __future__ import annotations

from collections.abc import Iterator

from reports.blocks import Block, Prose, Table, Text, moment
from reports.figures import captions
from reports.page.report import Report, section
from reports.wording import DECIMALS, needed_decimals, plain, user_text

PLACES = frozenset({"tank", "effluent", "chamber"})
CHECK_HEAD = ("Check", "Found", "Limit", "Verdict")
ENTRY_HEAD = ("Row", "Time", "What", "Where", "Value", "Unit")


def _answer(n: Report) -> Text:
    if not n.sampled_well:
        return "no: the sampling did not pass its checks"
    lie = "lie" if n.get("/reading_checks/passes") else "do not lie"
    return n.say(
        "the readings {lie} about the model as their kits should, {/trust/odd_readings} of "
        "{/trust/readings_used} look odd",
        lie=lie,
    )


@section("trust", "Can the fit be trusted?", _answer)
def trust_section(n: Report) -> Iterator[Block]:
    """Can the fit be trusted."""
    if any(reading["expected"] is not None for reading in n.get("/readings")):
        yield captions.residuals_picture(n)
    yield from _scatter(n)
    yield from _odd(n)
    yield _sampling(n)
    yield Table(
        "Entries flagged on reading the log (kept)",
        [*ENTRY_HEAD, "Why"],
        [[*entry_cells(n, at), _why_flagged(n, at)] for at, _ in n.each("/flagged")],
        (4,),
    )


def _why_flagged(n: Report, at: str) -> Text:
    """The flags of one entry, and how many more there are like it."""
    entry = n.get(at)
    why = plain("; ".join(entry["flags"]))
    if not entry["more_like_it"]:
        return why
    return n.say("{why}; {at/more_like_it} more like it", why=why, at=at)


def _check_rows(n: Report, at: str, rows: dict[str, bool | None]) -> list[list[Text]]:
    """Rows of checks: cells, and whether the check is passed; None for what is shown only."""
    words = {True: "passed", False: "failed", None: "shown only"}
    return [[*n.row(cells, at=at), words[passed]] for cells, passed in rows.items()]


def _scatter(n: Report) -> Iterator[Block]:
    """Do the readings lie about the model as their kits should."""
    found = n.get("/reading_checks")
    checks: dict[str, bool | None] = {
        "Inside their middle-half range | {at/in_50_pct} % | at least {at/in_50_least_pct} %": (
            found["in_50_pct"] >= found["in_50_least_pct"]
        ),
        "Inside their 9-in-10 range | {at/in_90_pct} % | at least {at/in_90_least_pct} %": (
            found["in_90_pct"] >= found["in_90_least_pct"]
        ),
        "Changes of side, alkalinity (more is better) | {at/runs} | at least {at/runs_least}": (
            found["runs"] >= found["runs_least"]
        ),
    }
    yield Table(
        "Do the readings lie about the model as their kits should?",
        CHECK_HEAD,
        _check_rows(n, "/reading_checks", checks),
        (1,),
    )
    if found["passes"]:
        above = ", but see what stands at the top" if n.get("/alarms") else ""
        yield Prose(f"They do{above or ': the model leaves nothing visible out'}.")
    else:
        yield Prose(
            "They do not: the model misses something. Look for an entry that is missing from the "
            "log, such as a dose, a water change or a new bottle of reagent."
        )


def _sampling(n: Report) -> Table:
    found = n.get("/diagnostics")
    checks: dict[str, bool | None] = {
        "Chains agree (largest R-hat) | {at/r_hat_max:3} | at most {at/r_hat_limit:2}": (
            (found["r_hat_max"] or 9) <= found["r_hat_limit"]
        ),
        "Independent draws, middle (fewest) | {at/ess_bulk_min} | at least {at/ess_limit}": (
            (found["ess_bulk_min"] or 0) >= found["ess_limit"]
        ),
        "Independent draws, ends (fewest) | {at/ess_tail_min} | at least {at/ess_limit}": (
            (found["ess_tail_min"] or 0) >= found["ess_limit"]
        ),
        "Divergent steps | {at/divergences} | at most {at/divergences_limit}": (
            found["divergences"] <= found["divergences_limit"]
        ),
        "Chains, and draws of each | {at/chains} × {at/draws} | ": None,
    }
    rows = _check_rows(n, "/diagnostics", checks)
    return Table("Checks of the sampling", CHECK_HEAD, rows, (1,))


def entry_cells(n: Report, path: str) -> list[Text]:
    """Row, time, what, where, value and unit of one entry of the twin, as in `ENTRY_HEAD`."""
    entry = n.get(path)
    unit = entry["unit"]
    value: Text = ""
    if entry["value"] is not None:
        # As many decimals as the keeper wrote, within reason: values were read from text.
        value = n(f"{path}/value", needed_decimals(entry["value"], DECIMALS.get(unit, 2)))
        if entry.get("mean_of", 1) > 1:
            value = n.say("{value} (mean of {at/mean_of})", value=value, at=path)
    where = entry["of"] if entry["of"] in PLACES else user_text(entry["of"])
    name = entry["entry"].replace("_", " ")
    shown = "" if unit == "NBS" else unit
    return [n.whole(f"{path}/row"), moment(entry["time"]), name, where, value, shown]


def _odd(n: Report) -> Iterator[Block]:
    odd = n.each("/odd_readings")
    if not odd:
        yield Prose("No reading looks odd.")
        return
    yield Table(
        "Odd readings: likely a slip, or far from what all others say",
        [*ENTRY_HEAD, "Chance ordinary"],
        [[*entry_cells(n, at), n.small_chance(f"{at}/chance_ordinary")] for at, _ in odd],
        (4, 6),
    )
    yield Prose(
        "A reading that is likely a slip counts little in the fit. If the newest test is odd, test "
        "again before you change anything; do not react to a single reading."
    )
    alarmed = any(alarm["about"] == "effluent" for alarm in n.get("/alarms"))
    if alarmed and any(entry["of"] == "effluent" for _, entry in odd):
        yield Prose(
            "An effluent reading among them may be no slip but the first sign of what stands at "
            "the top."
        )
