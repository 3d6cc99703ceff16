"""The figures: nothing is cut off, colours follow the reader's mode, bytes repeat."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.dates import date2num
from matplotlib.figure import Figure

from reports.figures import canvas
from reports.figures.drawing import (
    draw_chamber,
    draw_forecast,
    draw_hangs_on,
    draw_level,
    draw_needed_flow,
    draw_next_tests,
    draw_residuals,
    draw_uptake,
)

RNG = np.random.default_rng(2)


def by_day(days=120, scale=1.0):
    start = date(2026, 1, 5)
    points = np.sort(scale * (1 + 0.1 * RNG.standard_normal((4, days))), axis=0)
    return [
        {"date": (start + timedelta(days=j)).isoformat(), "q05": a, "q25": b, "q75": c, "q95": d}
        for j, (a, b, c, d) in enumerate(points.T)
    ]


def level(days=120, scale=1.0, unit="dKH"):
    return {"unit": unit, "by_day": by_day(days, scale)}


def uptake(alkalinity, calcium, tested=True):
    return {"alkalinity": alkalinity, "calcium": calcium | {"tested": tested}}


def readings(count, scale=1.0):
    """The first far off, and odd where there are more than three."""
    start = datetime(2026, 1, 5, 18)
    values = scale * (1 + 0.1 * RNG.standard_normal(count))
    values[:1] *= 50
    misses = RNG.standard_normal(count)
    misses[:1] = 300.0
    return [
        {
            "time": (start + timedelta(days=2 * j)).isoformat(),
            "value": value,
            "off_by_kit_errors": miss,
            "row": 2 + j,
            "odd": j == 0 and count > 3,
        }
        for j, (value, miss) in enumerate(zip(values, misses, strict=True))
    ]


def flow(dots, low, high, set_to, current=None):
    return {
        "needed_dots": list(dots),
        "recommended": {"low": low, "high": high, "set_to": set_to},
        "current": current,
        "planned": current is None,
    }


def plan(days, unit="dKH", scale=1.0):
    return {"unit": unit, "levels": by_day(days, scale)}


def chamber(flow_scale=1.0, ratio_scale=1.0, region=None, present_ph=6.6):
    return {
        "ph_axis": PH,
        "flow_axis_ml_h": FLOW * flow_scale,
        "supply_over_need": RATIO * ratio_scale,
        "region": region and {"low": region[0], "high": region[1]},
        "present_ph": present_ph,
        "ph_known": True,
    }


PH, FLOW = np.linspace(6.2, 7.2, 21), np.geomspace(60, 4000, 24)
RATIO = (FLOW / (1500 * 3.0 ** (5 * (PH[:, None] - 6.6)))) ** 0.6
RETESTS = [(date(2026, 1, 6) + timedelta(days=2 * j)).isoformat() for j in range(4)]
FLOW_DOTS = np.sort(2200 + 150 * RNG.standard_normal(20))
BAND = {"low": 0.9, "high": 1.1}
TESTS = [
    {
        "width_now": 500.0,
        "expected_width": 90.0 * j,
        "expected_width_q05": 60.0 * j,
        "expected_width_q95": 110.0 * j,
    }
    for j in range(1, 9)
]
UNKNOWNS = [
    {"unknown": "effluent strength", "at_low": 2600.0, "at_high": 1900.0},
    {"unknown": "uptake", "at_low": 2150.0, "at_high": 2300.0},
]
KINDS = ("tank alkalinity", "tank calcium", "effluent alkalinity", "other readings")
CASES = {
    "flow": lambda: draw_needed_flow(flow(FLOW_DOTS, 1910, 2450, 2230, 2300)),
    "flow, now far below": lambda: draw_needed_flow(flow(FLOW_DOTS, 1910, 2450, 2230, 60)),
    "flow, now far above": lambda: draw_needed_flow(flow(FLOW_DOTS, 1910, 2450, 2230, 2.5e5)),
    "flow, no reactor": lambda: draw_needed_flow(flow(FLOW_DOTS * 1e3, 1.9e6, 2.5e6, 2.2e6)),
    "flow, all the same": lambda: draw_needed_flow(flow(np.full(20, 5.0), 5, 5, 5, 5)),
    "flow, small and skew": lambda: draw_needed_flow(
        flow(np.geomspace(0.01, 40, 20), 0, 40, 10, 0.5)
    ),
    "uptake": lambda: draw_uptake(uptake(level(), level(scale=10, unit="mg/L/day"))),
    "uptake, one day": lambda: draw_uptake(
        uptake(level(1, unit="mg/L CaCO3/day"), level(1, 9, "mg/L/day"), tested=False)
    ),
    "uptake, negative": lambda: draw_uptake(
        uptake(level(scale=-1.0, unit="meq/L/day"), level(scale=-10, unit="mg/L/day"))
    ),
    "level": lambda: draw_level(level(), readings(40), BAND),
    "level, years, no band": lambda: draw_level(level(1500, 440, "mg/L"), readings(3, 440), None),
    "level, no reading": lambda: draw_level(level(2), [], BAND),
    "forecast": lambda: draw_forecast(plan(14), BAND, RETESTS),
    "forecast, one day": lambda: draw_forecast(
        plan(1, "mg/L CaCO3", 420), {"low": 380, "high": 460}, RETESTS[:1]
    ),
    "chamber": lambda: draw_chamber(chamber(region=(6.5, 6.7)), 2000.0),
    "chamber, one pH": lambda: draw_chamber(chamber(region=(6.5, 6.5)), None),
    "chamber, no region": lambda: draw_chamber(chamber(1e-3, present_ph=6.2), 9e9),
    "chamber, never enough": lambda: draw_chamber(chamber(1e3, 1e-3), 2.0),
    "residuals": lambda: draw_residuals({name: readings(9) for name in KINDS}),
    "residuals, one": lambda: draw_residuals({KINDS[0]: readings(1)}),
    "next tests": lambda: draw_next_tests(["tank and effluent weekly, 2 weeks"] * 8, TESTS),
    "hangs on": lambda: draw_hangs_on([one["unknown"] for one in UNKNOWNS], UNKNOWNS, 2200.0),
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


@pytest.mark.parametrize("days", [5, 14, 17, 31, 60, 100, 200, 450, 900])
def test_dates_keep_apart(days):
    """Neighbouring dates of an axis never touch, wherever in the year a log begins."""
    for start in range(0, 60, 7):
        first = datetime(2026, 6, 20, 12) + timedelta(days=start)
        with canvas.mpl.rc_context(canvas.STYLE):
            figure, axes = canvas.panel(2.0)
            axes.plot(date2num([first, first + timedelta(days=days)]), [0, 1])
            canvas.date_axis(axes)
            FigureCanvasAgg(figure).draw()
        low, high = axes.get_xlim()
        boxes = [
            label.get_window_extent()
            for label, at in zip(axes.get_xticklabels(), axes.get_xticks(), strict=True)
            if low <= at <= high
        ]
        assert len(boxes) > 1
        assert all(b.x0 - a.x1 > 3 for a, b in pairwise(boxes))


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


def test_a_figure_is_drawn_once_and_in_the_same_place(monkeypatch):
    """Laying it out beforehand spares a second drawing, and moves nothing."""

    def example():
        figure, axes = canvas.panel(2.0)
        axes.plot([0, 1000], [0.001, 2000], label="a line")
        canvas.height_axis(axes, "meq/L a day", 4)
        canvas.legend_below(figure, 2)
        return figure

    drawn = []
    draw = Figure.draw
    monkeypatch.setattr(Figure, "draw", lambda *a: drawn.append(1) or draw(*a))
    made = canvas.svg(example(), "x")
    assert len(drawn) == 1
    monkeypatch.setattr(canvas, "_lay_out", lambda figure: None)
    assert canvas.svg(example(), "x") == made
    assert len(drawn) == 3
