"""Whether magnesium media dissolve in chamber water, by PHREEQC with Pitzer's equations."""

from __future__ import annotations

import pytest

from helpers.phreeqc_runs import chamber


@pytest.mark.parametrize("ph", [6.3, 6.5, 6.6])
@pytest.mark.parametrize("saturation", [0.5, 1.0])
def test_dolomite_cannot_dissolve_magnesite_hardly_brucite_can(ph, saturation) -> None:
    """Saturation indices at 1300 mg/L of magnesium, phreeqc 1.1.1 with pitzer.dat.

    Dolomite +0.6 to +1.2: supersaturated. Magnesite −0.12 to +0.18: near its equilibrium. Brucite
    below −5. So the volume of a medium is not its share of what dissolves, as
    `estimator.water.media` has it.
    """
    found, _ = chamber(ph, saturation)
    dolomite, magnesite, brucite = (
        found[f"si_{mineral}"][-1] for mineral in ("Dolomite", "Magnesite", "Brucite")
    )
    assert 0.6 <= dolomite <= 1.25
    assert -0.13 <= magnesite <= 0.19
    assert brucite < -5
