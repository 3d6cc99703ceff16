"""What the sections of one report share."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import wraps
from typing import Any

from markupsafe import Markup

from reports.blocks import Block, Numbers, Section, Text


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
    def unit(self) -> str:
        """The keeper's unit of alkalinity."""
        return str(self.get("/uptake/alkalinity/unit").removesuffix("/day"))

    def flow_range(self) -> Markup:
        """The recommended range with its unit."""
        return self.say("{at/low:flow} to {at/high:flow} mL/h", at="/flow/recommended")

    def all_words(self, path: str) -> list[Markup]:
        """Every sentence of the list at `path`."""
        return [self.words(f"{path}/{i}") for i in range(len(self.get(path)))]


SectionMaker = Callable[[Report], Section | None]


def section(
    anchor: str,
    title: str | Callable[[Report], str],
    answer: Callable[[Report], Text] | None = None,
) -> Callable[[Callable[[Report], Iterable[Block]]], SectionMaker]:
    """Makes a section of a function that yields its blocks; None where it yields none.

    Args:
        anchor: id in the page.
        title: or what gives it.
        answer: what stands beside the title while the section is folded; without it all is open.
    """

    def decorate(blocks_of: Callable[[Report], Iterable[Block]]) -> SectionMaker:
        @wraps(blocks_of)
        def make(n: Report) -> Section | None:
            blocks = [block for block in blocks_of(n) if block]
            if not blocks:
                return None
            shown = title if isinstance(title, str) else title(n)
            return Section(anchor, shown, blocks, answer(n) if answer else "")

        return make

    return decorate
