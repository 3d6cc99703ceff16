"""The figures, each a pure function from parts of the twin to a matplotlib `Figure`.

No text of the keeper enters a figure: names could hold what the font lacks. Each colour has a
second cue.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import date2num
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter
from numpy.typing import NDArray

from reports.figures import canvas
from reports.figures.canvas import BLUE, GREEN, INK, VERMILLION, WIDTH_IN, Floats, styled

Part = Mapping[str, Any]
"""A part of the twin."""
FAN_POINTS = 100
"""A fan of more points is larger, not clearer."""
INTERVALS = 14
"""Days shown as dots and lines."""
RESIDUAL_LIMIT = 6.0
"""Residuals beyond are drawn at the edge."""


def _column(rows: Sequence[Part], key: str) -> Floats:
    return np.array([row[key] for row in rows], dtype=float)


def _ranges(by_day: Sequence[Part], most: int) -> Floats:
    """Noons, and 5, 25, 75 and 95 % points, (5, n), of at most `most` days."""
    days = [by_day[i] for i in canvas.evenly_picked(len(by_day), most)]
    noons = canvas.noons([day["date"] for day in days])
    return np.array([noons, *(_column(days, q) for q in ("q05", "q25", "q75", "q95"))])


def _times(readings: Sequence[Part]) -> Floats:
    times = [datetime.fromisoformat(reading["time"]) for reading in readings]
    return np.array(date2num(times) if times else [], dtype=float)


@styled
def draw_needed_flow(flow: Part) -> Figure:
    """F1: quantile dotplot of the needed flow, mL/h. `flow` holds a setting."""
    dots, current, setting = np.array(flow["needed_dots"]), flow["current"], flow["recommended"]
    low, high, set_to = setting["low"], setting["high"], setting["set_to"]
    height = 2.7
    figure = Figure(figsize=(WIDTH_IN, height))
    axes = figure.add_axes((0.05, 0.24, 0.9, 0.60))
    left, right = _dotplot_limits(dots, low, high, current)
    wide_pt, high_pt = 0.9 * WIDTH_IN * 72, 0.60 * height * 72
    # Dots are circles one bin wide: bins are made so narrow that the tallest stack fits.
    for bins in range(16, 80, 2):
        width = (right - left) / bins
        column = np.floor((dots - left) / width).astype(int)
        place = np.array([np.sum(column[:i] == column[i]) for i in range(len(dots))])
        dot_pt = wide_pt / bins
        if (place.max() + 2.2) * dot_pt <= high_pt:
            break
    axes.set(xlim=(left, right), ylim=(0, high_pt / dot_pt))
    for value, x, y in zip(dots, column, place, strict=True):
        # Round on the page, since one unit of y is one bin of x.
        centre, face = (left + (x + 0.5) * width, y + 0.5), BLUE if low <= value <= high else "none"
        axes.add_patch(Ellipse(centre, 0.88 * width, 0.88, fc=face, ec=BLUE, lw=1.5))
    axes.axvspan(low, high, color=BLUE, alpha=0.10, lw=0)
    axes.axvline(low, color=BLUE, lw=1)
    axes.axvline(high, color=BLUE, lw=1)
    axes.plot([set_to], [0], marker="^", ms=11, color=GREEN, clip_on=False, zorder=5)
    axes.axvline(set_to, color=GREEN, lw=1.6)
    canvas.label_above(axes, set_to, "plan" if flow["planned"] else "set to", GREEN)
    if current is not None:
        shown = min(max(current, left), right)
        arrow = "" if shown == current else (" ←" if current < left else " →")
        axes.axvline(shown, color=VERMILLION, lw=1.6, ls=(0, (4, 2)))
        near = abs(shown - set_to) < 0.22 * (right - left)
        canvas.label_above(axes, shown, "now" + arrow, VERMILLION, (0, 16 if near else 3))
    canvas.no_height_axis(axes, "Needed flow, mL per hour")
    return figure


def _dotplot_limits(
    dots: Floats, low: float, high: float, current: float | None
) -> tuple[float, float]:
    """Room for the dots and the range; the present setting too unless it would squeeze them."""
    left, right = min(dots[0], low), max(dots[-1], high)
    span = max(right - left, 1e-6 * abs(right), 1e-9)
    if current is not None and left - span <= current <= right + span:
        left, right = min(left, current), max(right, current)
    edge = 0.06 * (right - left) or 1.0
    return max(left - edge, 0.0 if left >= 0 else left - edge), right + edge


@styled
def draw_uptake(uptake: Part) -> Figure:
    """F2: daily uptake on some days, thin 90 % and thick 50 % lines; a panel for each element."""
    calcium = "Calcium" if uptake["calcium"]["tested"] else "Calcium (from alkalinity)"
    looks = [("alkalinity", "Alkalinity", BLUE, "o"), ("calcium", calcium, GREEN, "s")]
    looks = [look for look in looks if uptake[look[0]]["by_day"]]
    figure = Figure(figsize=(WIDTH_IN, 2.0 * len(looks)), layout="constrained")
    panels = figure.subplots(len(looks), 1, sharex=True, squeeze=False)[:, 0]
    for axes, (key, name, colour, marker) in zip(panels, looks, strict=True):
        x, q05, q25, q75, q95 = _ranges(uptake[key]["by_day"], INTERVALS)
        axes.vlines(x, q05, q95, color=colour, lw=1.3)
        axes.vlines(x, q25, q75, color=colour, lw=4.5)
        axes.plot(x, 0.5 * (q25 + q75), marker, color=colour, ms=6.5, mec=colour)
        axes.set_ylim(*_with_room(min(q05.min(), 0.0), q95.max()))
        axes.set_title(name, loc="left", fontsize=11)
        canvas.height_axis(axes, uptake[key]["unit"], 4)
    canvas.date_axis(panels[-1])
    return figure


@styled
def draw_level(level: Part, readings: Sequence[Part], target: Part | None) -> Figure:
    """F3, F4: the level as a fan (50 and 90 %), kit readings as dots, the target band dashed.

    The fan is for the true daily mean, not for the next kit reading. `readings` are in the unit of
    `level`.
    """
    figure, axes = canvas.panel(2.9)
    edges = _fan(axes, level["by_day"])
    when, values = _times(readings), _column(readings, "value")
    low, high = _view([*edges, *np.quantile(values, [0.03, 0.97])] if readings else edges, target)
    shown = np.clip(values, low, high)
    odd = np.array([reading["odd"] for reading in readings], dtype=bool)
    axes.plot(when[~odd], shown[~odd], "o", color=INK, ms=4, label="reading")
    if odd.any():
        cross: dict[str, Any] = {"color": VERMILLION, "ms": 9, "mew": 2.2, "clip_on": False}
        axes.plot(when[odd], shown[odd], "x", label="odd reading", **cross)
    _target_lines(axes, target)
    _finish_level(figure, axes, level["unit"], (low, high))
    return figure


@styled
def draw_forecast(plan: Part, target: Part, tests: Sequence[str]) -> Figure:
    """F8: the level to come as a fan without a middle line, the band dashed, tests below."""
    figure, axes = canvas.panel(2.9)
    low, high = _view(_fan(axes, plan["levels"]), target)
    _target_lines(axes, target)
    mark: dict[str, Any] = {"color": INK, "ms": 7, "clip_on": False, "zorder": 5}
    axes.plot(canvas.noons(tests), np.full(len(tests), low), "^", label="test", **mark)
    _finish_level(figure, axes, plan["unit"], (low, high))
    return figure


def _target_lines(axes: Axes, target: Part | None) -> None:
    if target is not None:
        for edge, label in (("low", "your band"), ("high", None)):
            axes.axhline(target[edge], color=GREEN, lw=1.4, ls=(0, (5, 3)), label=label)


def _finish_level(figure: Figure, axes: Axes, unit: str, view: tuple[float, float]) -> None:
    axes.set_ylim(*view)
    canvas.height_axis(axes, unit, 5)
    canvas.date_axis(axes)
    canvas.legend_below(figure, 3, handlelength=1.6, columnspacing=1.2)


RATIOS = (
    (0.8, 1.6, VERMILLION, (0, (1, 1.5)), "a fifth too little"),
    (1.0, 2.2, BLUE, "-", "supply meets need"),
    (1.25, 1.6, VERMILLION, (0, (5, 3)), "a quarter too much"),
)
"""Lines of equal supply over need: the ratio, width, colour, dashes, name."""


@styled
def draw_chamber(chamber: Part, flow_now_ml_h: float | None) -> Figure:
    """F9: which pairs of chamber pH and flow supply what is taken up."""
    ph, flow_ml_h, supply_over_need = (
        np.array(chamber[key], dtype=float)
        for key in ("ph_axis", "flow_axis_ml_h", "supply_over_need")
    )
    figure, axes = canvas.panel(3.5)
    axes.set_yscale("log")
    axes.set(xlim=(ph[0], ph[-1]), ylim=(flow_ml_h[0], flow_ml_h[-1]))
    if chamber["region"] is not None:
        # One pH alone would leave no width to shade.
        low, high = chamber["region"]["low"] - 0.01, chamber["region"]["high"] + 0.01
        axes.axvspan(low, high, color=GREEN, alpha=0.18, lw=0, label="where to work")
        for edge in (low, high):
            axes.axvline(edge, color=GREEN, lw=1)
    for ratio, width, colour, dash, name in RATIOS:
        look: dict[str, Any] = {"colors": [colour], "linestyles": [dash], "linewidths": [width]}
        axes.contour(ph, flow_ml_h, supply_over_need.T, [ratio], **look)
        axes.plot([], [], color=colour, ls=dash, lw=1.8, label=name)
    at_ph, at_flow = chamber["present_ph"], flow_now_ml_h
    if chamber["ph_known"]:
        if at_flow is not None and flow_ml_h[0] <= at_flow <= flow_ml_h[-1]:
            axes.plot([at_ph], [at_flow], "D", color=INK, ms=8, label="now", zorder=5)
        else:
            axes.axvline(at_ph, color=INK, lw=1.4, ls=(0, (2, 2)), label="pH now")
    axes.set_xlabel("Chamber pH")
    axes.set_ylabel("Flow, mL per hour")
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    canvas.faint_grid(axes)
    canvas.legend_below(figure, 2, handlelength=2.2, columnspacing=1.2)
    return figure


@styled
def draw_residuals(groups: Mapping[str, Sequence[Part]]) -> Figure:
    """F7: each reading less what was expected, in kit errors; odd ones carry their row number.

    The n-th group has the n-th look; an empty group keeps its place but is not shown.
    """
    figure, axes = canvas.panel(2.9)
    axes.axhspan(-2, 2, color=INK, alpha=0.08, lw=0)
    for edge in (-2, 2):
        axes.axhline(edge, color=INK, lw=0.8, ls=(0, (4, 3)))
    axes.axhline(0, color=INK, lw=0.8)
    looks = [(BLUE, "o"), (GREEN, "s"), (VERMILLION, "^"), (INK, "D")]
    for (name, readings), (colour, marker) in zip(groups.items(), looks, strict=False):
        if not readings:
            continue
        when, values = _times(readings), _column(readings, "off_by_kit_errors")
        shown = np.clip(values, -RESIDUAL_LIMIT, RESIDUAL_LIMIT)
        axes.plot(when, shown, marker, color=colour, ms=4.5, label=name, clip_on=False)
        middle = 0.5 * (axes.get_xlim()[0] + axes.get_xlim()[1])
        for i in [i for i, reading in enumerate(readings) if reading["odd"]][:8]:
            beyond = abs(values[i]) > RESIDUAL_LIMIT
            right = when[i] < middle
            axes.annotate(
                f"row {readings[i]['row']}" + (" (off scale)" if beyond else ""),
                (when[i], shown[i]),
                xytext=(6 if right else -6, 0),
                textcoords="offset points",
                ha="left" if right else "right",
                va="center",
                fontsize=9.5,
            )
    axes.set_ylim(-RESIDUAL_LIMIT - 0.6, RESIDUAL_LIMIT + 0.6)
    axes.set_ylabel("kit errors")
    axes.yaxis.set_major_locator(MaxNLocator(6, integer=True))
    canvas.date_axis(axes)
    canvas.legend_below(figure, 2, handletextpad=0.3, columnspacing=1.2)
    return figure


@styled
def draw_next_tests(labels: Sequence[str], tests: Sequence[Part]) -> Figure:
    """F5: expected width of the flow range after each test, its spread, and the width now."""
    middle, low, high = (_column(tests, f"expected_width{q}") for q in ("", "_q05", "_q95"))
    now = tests[0]["width_now"]
    figure, axes, rows = _row_panel(labels)
    axes.hlines(rows - 0.12, low, high, color=BLUE, lw=3)
    axes.plot(middle, rows - 0.12, "o", color=BLUE, ms=8)
    axes.axvline(now, color=VERMILLION, lw=1.6, ls=(0, (4, 2)))
    canvas.label_above(axes, now, "now", VERMILLION, (-3, 2), "right")
    axes.set_xlim(0.0, 1.06 * max(now, float(np.max(high))))
    _label_rows(axes, rows, labels, "Expected width of the flow range, mL per hour")
    return figure


@styled
def draw_hangs_on(labels: Sequence[str], unknowns: Sequence[Part], middle: float) -> Figure:
    """F6: how far the needed flow goes with each unknown, the widest first, from its `middle`."""
    at_low, at_high = _column(unknowns, "at_low"), _column(unknowns, "at_high")
    figure, axes, rows = _row_panel(labels)
    left, right = np.minimum(at_low, at_high), np.maximum(at_low, at_high)
    axes.hlines(rows - 0.14, left, right, color=BLUE, lw=5)
    axes.plot(at_low, rows - 0.14, "o", color=BLUE, mfc="white", ms=8, mew=2, label="low")
    axes.plot(at_high, rows - 0.14, "o", color=BLUE, ms=8, mew=2, label="high")
    axes.axvline(middle, color=INK, lw=1)
    edge = 0.1 * max(float(np.max(right) - np.min(left)), 1e-6)
    start = min(float(np.min(left)), middle) - edge
    axes.set_xlim(start, max(float(np.max(right)), middle) + edge)
    _label_rows(axes, rows, labels, "Needed flow, mL per hour")
    canvas.legend_below(figure, 2, title="where the unknown is")
    return figure


def _row_panel(labels: Sequence[str]) -> tuple[Figure, Axes, NDArray[np.int64]]:
    """A figure with a row for each label, and the rows' heights, the first on top."""
    return *canvas.panel(0.9 + 0.52 * len(labels)), np.arange(len(labels))[::-1]


def _label_rows(axes: Axes, rows: NDArray[np.int64], labels: Sequence[str], x_label: str) -> None:
    """Labels above the rows, from the left edge on."""
    start = axes.get_xlim()[0]
    for row, label in zip(rows, labels, strict=True):
        axes.annotate(label, (start, row + 0.16), xytext=(2, 0), textcoords="offset points")
    axes.set_ylim(-0.5, len(labels) - 0.3)
    canvas.no_height_axis(axes, x_label)


def _fan(axes: Axes, by_day: Sequence[Part]) -> list[float]:
    """Draw a path known as ranges; its lowest and highest point come back."""
    x, q05, q25, q75, q95 = _ranges(by_day, FAN_POINTS)
    # Edge lines, because faint fills alone miss 3:1 contrast.
    axes.fill_between(x, q05, q95, color=BLUE, alpha=0.16, lw=0)
    axes.fill_between(x, q25, q75, color=BLUE, alpha=0.30, lw=0, label="true level, 50 %")
    axes.plot(x, q05, color=BLUE, lw=1, label="90 %")
    axes.plot(x, q95, color=BLUE, lw=1)
    return [float(np.min(q05)), float(np.max(q95))]


def _with_room(low: float, high: float) -> tuple[float, float]:
    room = 0.06 * (high - low) or 1.0
    return (low - room if low < 0 else low), high + room


def _view(edges: Sequence[float], target: Part | None) -> tuple[float, float]:
    """Limits with room: one slip among the readings must not squash fan and band."""
    edges = [*edges, target["low"], target["high"]] if target else edges
    low, high = float(min(edges)), float(max(edges))
    room = 0.08 * (high - low) or 1.0
    return low - room, high + room
