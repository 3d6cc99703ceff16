"""What the sections of one report share."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import wraps
from typing import Any

from markupsafe import Markup

from reports.blocks import Block, Numbers, Section, say


class Report(Numbers):
    """The printer of one twin's numbers, and what the sections ask of the twin together.

    Attributes:
        twin_name: file name of the twin.
    """

    def __init__(self, twin: dict[str, Any], twin_name: str = "") -> None:
        super().__init__(twin)
        self.twin_name = twin_name

    @property
    def recommended(self) -> bool:
        """Whether there is a setting."""
        return bool(self.get("/status") == "recommended")

    @property
    def sampled_well(self) -> bool:
        """Whether the fit passed its checks, so that its numbers may be shown at all."""
        return not self.get("/diagnostics/failures")

    @property
    def shown(self) -> bool:
        """Whether the figures of alkalinity are shown: sampled well, and not spoiled by the log."""
        return self.sampled_well and "alkalinity" not in self.get("/withheld_figures")

    @property
    def calcium_shown(self) -> bool:
        """Whether the figures of calcium are."""
        return self.shown and "calcium" not in self.get("/withheld_figures")

    @property
    def why_not_shown(self) -> str:
        """Why no estimate is shown, where none is."""
        if self.sampled_well:
            return (
                "No estimate is shown, because the log contradicts itself: see what stands above."
            )
        return "No estimate is shown, because the fit did not pass its own checks."

    @property
    def planned(self) -> bool:
        """Whether the tank has no reactor yet."""
        return bool(self.get("/flow/planned"))

    @property
    def load_known(self) -> bool:
        """Whether a reactor's work can be told at all.

        It cannot where the tank may take nothing up, or where a reactor runs at a flow that was
        never logged.
        """
        if not self.shown:
            return False
        unlogged = not (self.recommended or self.planned) and self.get("/flow/current") is None
        return bool(self.get("/flow/needed/q05") > 0) and not unlogged

    @property
    def steps(self) -> int:
        """Dated steps of the change-over; 0 where there is none."""
        return len(self.get("/change_over"))

    @property
    def unit(self) -> str:
        """The keeper's unit of alkalinity."""
        return str(self.get("/uptake/alkalinity/unit").removesuffix("/day"))

    def flow_range(self) -> Markup:
        """The recommended range with its unit."""
        return self.say("{at/low:flow} to {at/high:flow} mL/h", at="/flow/recommended")

    def stays(self, path: str) -> Markup:
        """ "likely (78 in 100) that alkalinity stays …" for a probability over the horizon."""
        days = self.whole("/flow/horizon_days")
        return self.chance(
            path,
            say("alkalinity stays within the band on each of the next {} days", days),
            say("alkalinity is outside the band on at least one of the next {} days", days),
        )

    def all_words(self, path: str) -> list[Markup]:
        """Every sentence of the list at `path`."""
        return [self.words(f"{path}/{i}") for i in range(len(self.get(path)))]


SectionMaker = Callable[[Report], Section | None]


def section(
    anchor: str, title: str | Callable[[Report], str]
) -> Callable[[Callable[[Report], Iterable[Block]]], SectionMaker]:
    """Makes a section of a function that yields its blocks; None where it yields none.

    Args:
        anchor: id in the page.
        title: or what gives it.
    """

    def decorate(blocks_of: Callable[[Report], Iterable[Block]]) -> SectionMaker:
        @wraps(blocks_of)
        def make(n: Report) -> Section | None:
            blocks = [block for block in blocks_of(n) if block]
            if not blocks:
                return None
            return Section(anchor, title if isinstance(title, str) else title(n), blocks)

        return make

    return decorate
