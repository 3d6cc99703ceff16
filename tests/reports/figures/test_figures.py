"""The figures: nothing is cut off, colours follow the reader's mode, bytes repeat."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from reports.figures import canvas
from reports.figures.drawing import (
    Band,
    Dots,
    draw_chamber,
    draw_forecast,
    draw_level,
    draw_needed_flow,
    draw_residuals,
    draw_uptake,
)

RNG = np.random.default_rng(2)


def band(days=120, scale=1.0, unit="dKH"):
    start = date(2026, 1, 5)
    points = np.sort(scale * (1 + 0.1 * RNG.standard_normal((4, days))), axis=0)
    return Band([start + timedelta(days=j) for j in range(days)], points, unit, "Alkalinity")


def dots(count, scale=1.0):
    start = datetime(2026, 1, 5, 18)
    odd = np.zeros(count, dtype=bool)
    odd[:1] = count > 3
    values = scale * (1 + 0.1 * RNG.standard_normal(count))
    values[:1] *= 50
    return Dots([start + timedelta(days=2 * j) for j in range(count)], values, odd)


def misses(name, count):
    one = dots(count)
    values = RNG.standard_normal(count)
    values[:1] = 300.0
    return Dots(one.times, values, one.odd, name, range(2, 2 + count))


PH, FLOW = np.linspace(6.2, 7.2, 21), np.geomspace(60, 4000, 24)
RATIO = (FLOW / (1500 * 3.0 ** (5 * (PH[:, None] - 6.6)))) ** 0.6
RETESTS = [date(2026, 1, 6) + timedelta(days=2 * j) for j in range(4)]
FLOW_DOTS = np.sort(2200 + 150 * RNG.standard_normal(20))
CASES = {
    "flow": lambda: draw_needed_flow(FLOW_DOTS, 1910, 2450, 2230, 2300),
    "flow, now far below": lambda: draw_needed_flow(FLOW_DOTS, 1910, 2450, 2230, 60),
    "flow, now far above": lambda: draw_needed_flow(FLOW_DOTS, 1910, 2450, 2230, 2.5e5),
    "flow, no reactor": lambda: draw_needed_flow(FLOW_DOTS * 1e3, 1.9e6, 2.5e6, 2.2e6, None),
    "flow, all the same": lambda: draw_needed_flow(np.full(20, 5.0), 5, 5, 5, 5),
    "flow, small and skew": lambda: draw_needed_flow(np.geomspace(0.01, 40, 20), 0, 40, 10, 0.5),
    "uptake": lambda: draw_uptake([band(), band(scale=10, unit="mg/L/day")]),
    "uptake, one day": lambda: draw_uptake([band(1, unit="mg/L CaCO3/day")]),
    "uptake, negative": lambda: draw_uptake([band(scale=-1.0, unit="meq/L/day")]),
    "level": lambda: draw_level(band(), dots(40), (0.9, 1.1)),
    "level, years, no band": lambda: draw_level(band(1500, 440, "mg/L"), dots(3, 440), None),
    "level, no reading": lambda: draw_level(band(2), dots(0), (0.9, 1.1)),
    "forecast": lambda: draw_forecast(band(14), (0.9, 1.1), RETESTS),
    "forecast, one day": lambda: draw_forecast(band(1, 420, "mg/L CaCO3"), (380, 460), RETESTS[:1]),
    "chamber": lambda: draw_chamber(PH, FLOW, RATIO, (6.5, 6.7), (6.6, 2000.0)),
    "chamber, one pH": lambda: draw_chamber(PH, FLOW, RATIO, (6.5, 6.5), (6.6, None)),
    "chamber, no region": lambda: draw_chamber(PH, FLOW / 1e3, RATIO, None, (6.2, 9e9)),
    "chamber, never enough": lambda: draw_chamber(PH, FLOW * 1e3, 1e-3 * RATIO, None, (6.6, 2.0)),
    "residuals": lambda: draw_residuals(
        [misses(name, 9) for name in ("tank alkalinity", "tank calcium", "effluent alkalinity")]
    ),
    "residuals, one": lambda: draw_residuals([misses("tank alkalinity", 1)]),
}


@pytest.mark.parametrize("case", CASES)
def test_nothing_runs_off_the_figure(case):
    """Labels, marks and legends lie within the figure (rounding of half a point allowed)."""
    figure = CASES[case]()
    figure.draw_without_rendering()
    box = figure.get_tightbbox()
    width, height = figure.get_size_inches()
    slack = 0.5 / 72
    assert box.x0 >= -slack
    assert box.y0 >= -slack
    assert box.x1 <= width + slack
    assert box.y1 <= height + slack


@pytest.mark.parametrize("case", CASES)
def test_svg_is_well_formed_themed_and_small(case):
    """Ink takes the reader's colour, no date is inside, and a figure stays below 90 KiB."""
    data = canvas.svg(CASES[case](), "name")
    text = data.decode()
    ElementTree.fromstring(data)
    # Once, where the light mode's ink is set.
    assert text.count(canvas.INK) == 1
    assert "currentColor" in text
    assert "prefers-color-scheme:dark" in text
    assert "<dc:date>" not in text
    assert len(data) < 90 * 1024


def test_svg_bytes_repeat_and_ids_differ_between_figures():
    """One seed gives the same bytes; two figures on one page never share a clip path."""
    figure = CASES["level"]
    RNG.bit_generator.state = np.random.default_rng(9).bit_generator.state
    first = canvas.svg(figure(), "a")
    RNG.bit_generator.state = np.random.default_rng(9).bit_generator.state
    assert canvas.svg(figure(), "a") == first
    RNG.bit_generator.state = np.random.default_rng(9).bit_generator.state
    assert canvas.svg(figure(), "b") != first


def contrast(first, second):
    """WCAG 2.2 contrast ratio (its formulas of relative luminance)."""

    def luminance(colour):
        parts = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)
        ]
        return float(np.dot([0.2126, 0.7152, 0.0722], parts))

    low, high = sorted((luminance(first), luminance(second)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("colour", [canvas.BLUE, canvas.VERMILLION, canvas.GREEN])
@pytest.mark.parametrize("paper", ["#ffffff", "#14171a"])
def test_colours_keep_contrast_in_both_modes(colour, paper):
    """WCAG 2.2, 1.4.11: graphics need 3:1 against what is beside them."""
    assert contrast(colour, paper) >= 3.0


def test_colours_are_okabe_and_ito():
    """Blue, vermillion and bluish green are as published (jfly.uni-koeln.de/color, RGB values
    from memory)."""
    published = {(0, 114, 178), (213, 94, 0), (0, 158, 115)}
    used = (canvas.BLUE, canvas.VERMILLION, canvas.GREEN)
    assert {tuple(round(255 * part) for part in to_rgb(colour)) for colour in used} == published


def test_pyplot_is_never_imported():
    """Pyplot keeps every figure alive and picks a window system."""
    folder = Path(canvas.__file__).parent
    assert not [path.name for path in folder.glob("*.py") if "pyplot" in _imports(path)]


def _imports(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    return " ".join(line for line in lines if line.lstrip().startswith(("import ", "from ")))
