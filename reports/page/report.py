"""What the sections of one report share."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from reports.blocks import Numbers, Text, say
from reports.figures.captions import flow_decimals
from reports.wording import DECIMALS


@dataclass(frozen=True)
class Report:
    """What the sections share.

    Attributes:
        numbers: printer of the twin's numbers.
        twin_name: file name of the twin.
    """

    numbers: Numbers
    twin_name: str

    @property
    def recommended(self) -> bool:
        """Whether there is a setting."""
        return bool(self.numbers.get("/status") == "recommended")

    @property
    def sampled_well(self) -> bool:
        """Whether the fit passed its checks, so that its numbers may be shown at all."""
        return not self.numbers.get("/diagnostics/failures")

    @property
    def planned(self) -> bool:
        """Whether the tank has no reactor yet."""
        return bool(self.numbers.get("/flow/planned"))

    @property
    def load_known(self) -> bool:
        """Whether a reactor's work can be told at all.

        It cannot where the tank may take nothing up, or where a reactor runs at a flow that was
        never logged.
        """
        n = self.numbers
        unlogged = not (self.recommended or self.planned) and n.get("/flow/current") is None
        return bool(n.get("/flow/needed/q05") > 0) and not unlogged

    @property
    def steps(self) -> int:
        """Dated steps of the change-over; 0 where there is none."""
        return len(self.numbers.get("/change_over"))

    @property
    def unit(self) -> str:
        """The keeper's unit of alkalinity."""
        return str(self.numbers.get("/level_now/alkalinity/unit"))

    def flow(self, path: str) -> Markup:
        """A flow at the pump's precision, without its unit."""
        return self.numbers(path, flow_decimals(self.numbers))

    def flow_range(self) -> Markup:
        """The recommended range with its unit."""
        low, high = self.flow("/flow/recommended/low"), self.flow("/flow/recommended/high")
        return say("{} to {} mL/h", low, high)

    def band(self) -> Markup:
        """The alkalinity band with its unit."""
        decimals = DECIMALS[self.unit]
        low, high = (
            self.numbers(f"/tank/targets/alkalinity/{e}", decimals) for e in ("low", "high")
        )
        return say("{} to {} {}", low, high, self.unit)

    def estimate(self, name: Text, path: str, unit: str) -> list[Text]:
        """A row of a table: name, middle, 9-in-10 range, unit."""
        n = self.numbers
        return [name, n.middle(path, unit), n.span(path, unit), unit]
