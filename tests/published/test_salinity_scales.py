"""Salinity scales against TEOS-10's toolbox (gsw 3.6.23 from the registry, 2026-11-26).

Conductivity is its `C_from_SP(S, 25, 0)`, density its `rho_t_exact` at absolute salinity
S × 35.16504/35 and 25 °C, over that at salinity 0.
"""

from __future__ import annotations

import pytest

from estimator.inputs import salinity_scales

TOOLBOX = [
    (30, 46.253238, 1.0225899),
    (33, 50.363184, 1.0248593),
    (35, 53.071032, 1.0263738),
    (36, 54.415630, 1.0271316),
    (38, 57.086634, 1.0286482),
    (40, 59.733932, 1.0301662),
]


@pytest.mark.parametrize(("salinity", "conductivity", "gravity"), TOOLBOX)
def test_scales_are_those_of_the_toolbox(
    salinity: float, conductivity: float, gravity: float
) -> None:
    """PSS-78 is the same formula; EOS-80 and TEOS-10 differ by 2e-6 in density."""
    read = salinity_scales.salinity_of_conductivity(conductivity)
    assert read == pytest.approx(salinity, abs=2e-6)
    assert salinity_scales.conductivity_ms_cm(salinity) == pytest.approx(conductivity, abs=2e-6)
    assert salinity_scales.specific_gravity(salinity) == pytest.approx(gravity, abs=3e-6)
    read = salinity_scales.salinity_of_specific_gravity(gravity)
    assert read == pytest.approx(salinity, abs=0.004)
