"""What can be asked for beside a tank's report: a look back, a calendar, the draws."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from reports.calendar_file import calendar_of, is_calendar
from reports.output import Beside, Json, Put
from reports.twin.former import Former, former_beside, read_former

if TYPE_CHECKING:
    from estimator.study import Study

_DRAWS_MARK = "reef_uptake_draws"
"""Attribute of a file of draws by which it is known again; it stands near the file's beginning."""
_HEAD_BYTES = 4096


@dataclass(frozen=True)
class Extras:
    """Files named on the command line; None where one is not asked for.

    Attributes:
        since: the twin of an earlier report, to look back on.
        calendar: for the plan's dates.
        draws: for the posterior.
    """

    since: Path | None = None
    calendar: Path | None = None
    draws: Path | None = None

    def places(self) -> list[Beside]:
        """Where more files go."""
        found = []
        if self.calendar is not None:
            found.append(Beside(self.calendar, "--calendar", is_calendar))
        if self.draws is not None:
            found.append(Beside(self.draws, "--draws", is_draws))
        return found

    def former(self, twin: Path) -> tuple[Former | None, str]:
        """The report to look back on, and a note where one is passed over.

        Args:
            twin: place of the new one.

        Raises:
            InputError: the one that was named is no twin of this program.
        """
        return former_beside(twin) if self.since is None else (read_former(self.since), "")

    def contents(self, study: Study, twin: Json) -> list[tuple[Beside, Put]]:
        """Each of `places` with what writes its file."""
        puts = {"--calendar": partial(_put_calendar, twin), "--draws": partial(_put_draws, study)}
        return [(place, puts[place.option]) for place in self.places()]


def _put_calendar(twin: Json, path: Path) -> None:
    path.write_bytes(calendar_of(twin).encode("utf-8"))


def _put_draws(study: Study, path: Path) -> None:
    # Late, because it loads the sampler.
    from estimator.draws import netcdf_of

    tree = netcdf_of(study)
    tree.attrs[_DRAWS_MARK] = "posterior draws of one tank"
    tree.to_netcdf(path, engine="h5netcdf")


def is_draws(path: Path) -> bool:
    """Whether the file at `path` holds such draws. Raises: OSError, it cannot be read."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    return head.startswith(b"\x89HDF") and _DRAWS_MARK.encode() in head
