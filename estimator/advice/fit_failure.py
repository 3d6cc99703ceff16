"""What a fit that missed its checks lacks: the thing unknown that its worst quantity hangs on."""

from __future__ import annotations

from estimator.fit.checks import Diagnostics
from estimator.unknowns import Unknown

_HANGS_ON: tuple[tuple[str, Unknown], ...] = (
    ("calcium", Unknown.CALCIUM),
    ("uptake", Unknown.UPTAKE),
    ("water volume", Unknown.VOLUME),
    ("calibration", Unknown.KIT),
    ("repeatability", Unknown.KIT),
    ("alkalinity now", Unknown.KIT),
    ("effluent", Unknown.EFFLUENT),
    ("needed flow", Unknown.EFFLUENT),
)
"""By the beginning of the name of a quantity that `fit.posterior.reported` gives."""


def lacking(diagnostics: Diagnostics) -> Unknown:
    """The thing unknown that would have to be known better for the sampling to pass.

    That of the quantity that a failed check names, else of the one with the fewest independent
    draws. Where that names nothing: the effluent's strength, on which the shape of the rest hangs
    most.
    """
    named = [remark.values.get("quantity") for remark in diagnostics.failures]
    for quantity in (*named, diagnostics.worst):
        for beginning, unknown in _HANGS_ON:
            if quantity and quantity.startswith(beginning):
                return unknown
    return Unknown.EFFLUENT
