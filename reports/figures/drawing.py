"""The figures, each a pure function from arrays to a matplotlib `Figure`, and SVG bytes from it.

Pyplot is never imported: it keeps global state. No text of the keeper enters a figure: names could
hold what the font lacks. Colours are three of Okabe and Ito's colour-blind-safe set
(jfly.uni-koeln.de/color) that keep 3:1 contrast on white and on near-black; each has a second cue.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, date2num, num2date
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter
from numpy.typing import NDArray

from reports.wording import MONTHS

BLUE, VERMILLION, GREEN = "#0072B2", "#D55E00", "#009E73"
INK = "#1a1a1a"
INK_DARK = "#e8e8e8"
WIDTH_IN = 5.0
FAN_POINTS = 100
"""A fan of more points is larger, not clearer."""
INTERVALS = 14
"""Days shown as dots and lines."""
RESIDUAL_LIMIT = 6.0
"""Residuals beyond are drawn at the edge."""
STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 11.0,
    "text.color": INK,
    "text.parse_math": False,
    "text.usetex": False,
    "axes.labelcolor": INK,
    "axes.edgecolor": INK,
    "axes.facecolor": "none",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.use_mathtext": False,
    "axes.unicode_minus": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "figure.facecolor": "none",
    "legend.frameon": False,
    "legend.fontsize": 10.0,
    "lines.linewidth": 1.4,
    "svg.fonttype": "path",
    "timezone": "UTC",
}

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Band:
    """A path known as a range: (n,) days, and its 5, 25, 75 and 95 % points (4, n)."""

    days: Sequence[date]
    points: Floats
    unit: str
    name: str


@dataclass(frozen=True)
class Dots:
    """Readings: (n,) times and values, and which of them are odd."""

    times: Sequence[datetime]
    values: Floats
    odd: NDArray[np.bool_]


@dataclass(frozen=True)
class Residuals:
    """One kind of reading: (n,) times, residuals in kit errors, rows, and which are odd."""

    name: str
    times: Sequence[datetime]
    values: Floats
    rows: Sequence[int]
    odd: NDArray[np.bool_]


def svg(figure: Figure, name: str) -> bytes:
    """The figure as themed SVG bytes: ink follows the reader's light or dark mode.

    Args:
        figure: made here.
        name: salts the ids, so that they are repeatable and differ between figures.
    """
    out = io.BytesIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    with mpl.rc_context({**STYLE, "svg.hashsalt": name}):
        figure.savefig(out, format="svg", transparent=True, metadata=nothing)
    theme = (
        f"<style>svg{{color:{INK}}}@media screen and (prefers-color-scheme:dark)"
        f"{{svg{{color:{INK_DARK}}}}}</style>"
    )
    text = out.getvalue().decode().replace(INK, "currentColor")
    # A hundredth of a point cannot be seen. Numbers after a bracket are kept: they scale glyphs.
    text = re.sub(r'(?<=[ "\n])(-?\d+\.\d\d)\d+', r"\1", text)
    opening = text.index(">", text.index("<svg")) + 1
    return (text[:opening] + theme + text[opening:]).encode()


def needed_flow(
    dots: Floats,
    low: float,
    high: float,
    set_to: float,
    current: float | None,
    *,
    planned: bool = False,
) -> Figure:
    """F1: quantile dotplot of the needed flow, mL/h.

    Args:
        dots: (20,) equally likely values, ascending.
        low, high: the recommended range.
        set_to: the setting.
        current: the pump's present setting, None where there is none.
        planned: the tank has no reactor yet.
    """
    with mpl.rc_context(STYLE):
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
        rise = high_pt / dot_pt
        axes.set(xlim=(left, right), ylim=(0, rise))
        for value, x, y in zip(dots, column, place, strict=True):
            centre = left + (x + 0.5) * width
            inside = low <= value <= high
            axes.add_patch(_dot(centre, y + 0.5, width, filled=inside))
        axes.axvspan(low, high, color=BLUE, alpha=0.10, lw=0)
        axes.axvline(low, color=BLUE, lw=1)
        axes.axvline(high, color=BLUE, lw=1)
        axes.plot([set_to], [0], marker="^", ms=11, color=GREEN, clip_on=False, zorder=5)
        axes.axvline(set_to, color=GREEN, lw=1.6)
        _label_top(axes, set_to, "plan" if planned else "set to", GREEN, left, right, 0)
        if current is not None:
            shown = min(max(current, left), right)
            arrow = "" if shown == current else (" ←" if current < left else " →")
            axes.axvline(shown, color=VERMILLION, lw=1.6, ls=(0, (4, 2)))
            near = abs(shown - set_to) < 0.22 * (right - left)
            _label_top(axes, shown, "now" + arrow, VERMILLION, left, right, 1 if near else 0)
        axes.spines["left"].set_visible(False)
        axes.set_yticks([])
        axes.xaxis.set_major_locator(MaxNLocator(5))
        axes.set_xlabel("Needed flow, mL per hour")
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


def _dot(x: float, y: float, width: float, *, filled: bool) -> Ellipse:
    """A dot of the dotplot: round on the page, since one unit of y is one bin of x."""
    face = BLUE if filled else "none"
    return Ellipse((x, y), 0.88 * width, 0.88, facecolor=face, edgecolor=BLUE, lw=1.5)


def _label_top(
    axes: Axes, x: float, text: str, colour: str, left: float, right: float, line: int
) -> None:
    """A label above the axes, kept within them."""
    part = (x - left) / (right - left)
    side = "left" if part < 0.1 else "right" if part > 0.9 else "center"
    axes.annotate(
        text,
        (x, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(0, 3 + 13 * line),
        textcoords="offset points",
        ha=side,
        color=colour,
        fontweight="bold",
    )


def uptake(bands: Sequence[Band]) -> Figure:
    """F2: daily uptake on some days, thin 90 % and thick 50 % lines; a panel for each band."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 0.7 + 1.65 * len(bands)), layout="constrained")
        panels = np.atleast_1d(figure.subplots(len(bands), 1, sharex=True))
        marks = [(BLUE, "o"), (GREEN, "s")]
        for axes, band, (colour, marker) in zip(panels, bands, marks, strict=False):
            pick = _thin(len(band.days), INTERVALS)
            x = _noons([band.days[i] for i in pick])
            q05, q25, q75, q95 = band.points[:, pick]
            axes.vlines(x, q05, q95, color=colour, lw=1.3)
            axes.vlines(x, q25, q75, color=colour, lw=4.5)
            axes.plot(x, 0.5 * (q25 + q75), marker, color=colour, ms=6.5, mec=colour)
            axes.set_ylim(*_with_room(min(q05.min(), 0.0) if q05.min() < 0 else 0.0, q95.max()))
            axes.set_title(band.name, loc="left", fontsize=11)
            axes.set_ylabel(band.unit)
            axes.yaxis.set_major_locator(MaxNLocator(4))
            _faint_grid(axes)
        _date_axis(panels[-1])
    return figure


def level(band: Band, dots: Dots, target: tuple[float, float] | None) -> Figure:
    """F3, F4: the level as a fan (50 and 90 %), kit readings as dots, the target band dashed.

    The fan is for the true daily mean, not for the next kit reading.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 2.9), layout="constrained")
        axes = figure.subplots()
        q05, q95 = _fan(axes, band)
        when = date2num(list(dots.times)) if len(dots.times) else np.empty(0)
        low, high = _view(q05, q95, dots.values, target)
        shown = np.clip(dots.values, low, high)
        fine = ~dots.odd
        axes.plot(when[fine], shown[fine], "o", color=INK, ms=4, label="reading")
        if dots.odd.any():
            axes.plot(
                when[dots.odd],
                shown[dots.odd],
                "x",
                color=VERMILLION,
                ms=9,
                mew=2.2,
                label="odd reading",
                clip_on=False,
            )
        if target is not None:
            _target_lines(axes, target)
        axes.set_ylim(low, high)
        axes.set_ylabel(band.unit)
        axes.yaxis.set_major_locator(MaxNLocator(5))
        _faint_grid(axes)
        _date_axis(axes)
        figure.legend(loc="outside lower center", ncols=3, handlelength=1.6, columnspacing=1.2)
    return figure


def forecast(band: Band, target: tuple[float, float], retests: Sequence[date]) -> Figure:
    """F8: the level to come as a fan without a middle line, the band dashed, retests below."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 2.9), layout="constrained")
        axes = figure.subplots()
        q05, q95 = _fan(axes, band)
        _target_lines(axes, target)
        low, high = _view(q05, q95, np.empty(0), target)
        axes.set_ylim(low, high)
        axes.plot(
            _noons(retests),
            np.full(len(retests), low),
            "^",
            color=INK,
            ms=7,
            label="retest",
            clip_on=False,
            zorder=5,
        )
        axes.set_ylabel(band.unit)
        axes.yaxis.set_major_locator(MaxNLocator(5))
        _faint_grid(axes)
        _date_axis(axes)
        figure.legend(loc="outside lower center", ncols=3, handlelength=1.6, columnspacing=1.2)
    return figure


def chamber(
    ph: Floats,
    flow_ml_h: Floats,
    supply_over_need: Floats,
    region: tuple[float, float] | None,
    present: tuple[float, float | None] | None,
) -> Figure:
    """F9: which pairs of chamber pH and flow supply what is taken up.

    Args:
        ph: (p,) rising.
        flow_ml_h: (f,) rising.
        supply_over_need: (p, f).
        region: pH range to work in, shaded; None where there is none.
        present: chamber pH now, and flow now (None where no pump runs); None where the pH is not
            known.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 3.5), layout="constrained")
        axes = figure.subplots()
        axes.set_yscale("log")
        axes.set(xlim=(ph[0], ph[-1]), ylim=(flow_ml_h[0], flow_ml_h[-1]))
        if region is not None:
            # One pH alone would leave no width to shade.
            low, high = region[0] - 0.01, region[1] + 0.01
            axes.axvspan(low, high, color=GREEN, alpha=0.18, lw=0, label="where to work")
            for edge in (low, high):
                axes.axvline(edge, color=GREEN, lw=1)
        looks = [
            (0.8, VERMILLION, (0, (1, 1.5))),
            (1.0, BLUE, "-"),
            (1.25, VERMILLION, (0, (5, 3))),
        ]
        names = ["a fifth too little", "supply meets need", "a quarter too much"]
        for (ratio, colour, dash), name in zip(looks, names, strict=True):
            axes.contour(
                ph,
                flow_ml_h,
                supply_over_need.T,
                [ratio],
                colors=[colour],
                linestyles=[dash],
                linewidths=[2.2 if ratio == 1.0 else 1.6],
            )
            axes.plot([], [], color=colour, ls=dash, lw=1.8, label=name)
        if present is not None:
            at_ph, at_flow = present
            if at_flow is not None and flow_ml_h[0] <= at_flow <= flow_ml_h[-1]:
                axes.plot([at_ph], [at_flow], "D", color=INK, ms=8, label="now", zorder=5)
            else:
                axes.axvline(at_ph, color=INK, lw=1.4, ls=(0, (2, 2)), label="pH now")
        axes.set_xlabel("Chamber pH")
        axes.set_ylabel("Flow, mL per hour")
        axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.yaxis.set_minor_formatter(NullFormatter())
        _faint_grid(axes)
        figure.legend(loc="outside lower center", ncols=2, handlelength=2.2, columnspacing=1.2)
    return figure


def residuals(groups: Sequence[Residuals]) -> Figure:
    """F7: each reading less what was expected, in kit errors; odd ones carry their row number.

    The n-th group has the n-th look; an empty group keeps its place but is not shown.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 2.9), layout="constrained")
        axes = figure.subplots()
        axes.axhspan(-2, 2, color=INK, alpha=0.08, lw=0)
        for edge in (-2, 2):
            axes.axhline(edge, color=INK, lw=0.8, ls=(0, (4, 3)))
        axes.axhline(0, color=INK, lw=0.8)
        looks = [(BLUE, "o"), (GREEN, "s"), (VERMILLION, "^"), (INK, "D")]
        for group, (colour, marker) in zip(groups, looks, strict=False):
            if not len(group.values):
                continue
            when = date2num(list(group.times))
            shown = np.clip(group.values, -RESIDUAL_LIMIT, RESIDUAL_LIMIT)
            axes.plot(when, shown, marker, color=colour, ms=4.5, label=group.name, clip_on=False)
            middle = 0.5 * (axes.get_xlim()[0] + axes.get_xlim()[1])
            for i in np.flatnonzero(group.odd)[:8]:
                beyond = abs(group.values[i]) > RESIDUAL_LIMIT
                axes.annotate(
                    f"row {group.rows[i]}" + (" (off scale)" if beyond else ""),
                    (when[i], shown[i]),
                    xytext=(6 if when[i] < middle else -6, 0),
                    textcoords="offset points",
                    ha="left" if when[i] < middle else "right",
                    va="center",
                    fontsize=9.5,
                )
        axes.set_ylim(-RESIDUAL_LIMIT - 0.6, RESIDUAL_LIMIT + 0.6)
        axes.set_ylabel("kit errors")
        axes.yaxis.set_major_locator(MaxNLocator(6, integer=True))
        _date_axis(axes)
        figure.legend(loc="outside lower center", ncols=2, handletextpad=0.3, columnspacing=1.2)
    return figure


def next_tests(
    labels: Sequence[str], middle: Floats, low: Floats, high: Floats, now: float
) -> Figure:
    """F5: expected width of the flow range after each test, its spread, and the width now.

    Args:
        labels: (n) what is done, best first.
        middle, low, high: (n,) expected width and its 9-in-10 spread, mL/h.
        now: the width now.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 0.9 + 0.52 * len(labels)), layout="constrained")
        axes = figure.subplots()
        rows = np.arange(len(labels))[::-1]
        axes.hlines(rows - 0.12, low, high, color=BLUE, lw=3)
        axes.plot(middle, rows - 0.12, "o", color=BLUE, ms=8)
        axes.axvline(now, color=VERMILLION, lw=1.6, ls=(0, (4, 2)))
        axes.annotate(
            "now",
            (now, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(-3, 2),
            textcoords="offset points",
            ha="right",
            color=VERMILLION,
            fontweight="bold",
        )
        for row, label in zip(rows, labels, strict=True):
            axes.annotate(label, (0.0, row + 0.16), xytext=(2, 0), textcoords="offset points")
        axes.set_xlim(0.0, 1.06 * max(now, float(np.max(high))))
        axes.set_ylim(-0.5, len(labels) - 0.3)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(5))
        axes.set_xlabel("Expected width of the flow range, mL per hour")
    return figure


def hangs_on(labels: Sequence[str], at_low: Floats, at_high: Floats, middle: float) -> Figure:
    """F6: how far the needed flow goes with each unknown.

    Args:
        labels: (n) unknowns, the widest first.
        at_low, at_high: (n,) needed flow where the unknown is low and where it is high, mL/h.
        middle: needed flow as things stand.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 0.9 + 0.52 * len(labels)), layout="constrained")
        axes = figure.subplots()
        rows = np.arange(len(labels))[::-1]
        left, right = np.minimum(at_low, at_high), np.maximum(at_low, at_high)
        axes.hlines(rows - 0.14, left, right, color=BLUE, lw=5)
        axes.plot(at_low, rows - 0.14, "o", color=BLUE, mfc="white", ms=8, mew=2, label="low")
        axes.plot(at_high, rows - 0.14, "o", color=BLUE, ms=8, mew=2, label="high")
        axes.axvline(middle, color=INK, lw=1)
        edge = 0.1 * max(float(np.max(right) - np.min(left)), 1e-6)
        start = min(float(np.min(left)), middle) - edge
        axes.set_xlim(start, max(float(np.max(right)), middle) + edge)
        for row, label in zip(rows, labels, strict=True):
            axes.annotate(label, (start, row + 0.16), xytext=(2, 0), textcoords="offset points")
        axes.set_ylim(-0.5, len(labels) - 0.3)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(5))
        axes.set_xlabel("Needed flow, mL per hour")
        figure.legend(loc="outside lower center", ncols=2, title="where the unknown is")
    return figure


def _fan(axes: Axes, band: Band) -> tuple[Floats, Floats]:
    """Draw a band; its lower and upper edge come back."""
    pick = _thin(len(band.days), FAN_POINTS)
    x = _noons([band.days[i] for i in pick])
    q05, q25, q75, q95 = band.points[:, pick]
    # Edge lines, because faint fills alone miss 3:1 contrast.
    axes.fill_between(x, q05, q95, color=BLUE, alpha=0.16, lw=0)
    axes.fill_between(x, q25, q75, color=BLUE, alpha=0.30, lw=0, label="true level, 50 %")
    axes.plot(x, q05, color=BLUE, lw=1, label="90 %")
    axes.plot(x, q95, color=BLUE, lw=1)
    return q05, q95


def _target_lines(axes: Axes, target: tuple[float, float]) -> None:
    for edge, label in zip(target, ("your band", None), strict=True):
        axes.axhline(edge, color=GREEN, lw=1.4, ls=(0, (5, 3)), label=label)


def _thin(count: int, most: int) -> NDArray[np.int64]:
    """At most `most` of `count` places, evenly spread, the last one always in."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(np.int64))


def _noons(days: Sequence[date]) -> Floats:
    return np.asarray(date2num([datetime.combine(day, time(12)) for day in days]))


def _with_room(low: float, high: float) -> tuple[float, float]:
    room = 0.06 * (high - low) or 1.0
    return (low - room if low < 0 else low), high + room


def _view(
    q05: Floats, q95: Floats, values: Floats, target: tuple[float, float] | None
) -> tuple[float, float]:
    """Limits that show the fan, the band and nearly all readings: one slip must not squash them."""
    edges = [float(np.min(q05)), float(np.max(q95)), *(target or ())]
    if len(values):
        edges += list(np.quantile(values, [0.03, 0.97]))
    low, high = float(min(edges)), float(max(edges))
    room = 0.08 * (high - low) or 1.0
    return low - room, high + room


def _faint_grid(axes: Axes) -> None:
    axes.grid(axis="y", color=INK, alpha=0.18, lw=0.6)
    axes.set_axisbelow(True)


def _date_axis(axes: Axes) -> None:
    low, high = axes.get_xlim()
    if high - low < 4:
        low, high = low - 2, high + 2
        axes.set_xlim(low, high)
    years = high - low > 500

    def label(days: float, _: int) -> str:
        day = num2date(days)
        month = MONTHS[day.month - 1]
        return f"{month} {day.year}" if years else f"{day.day} {month}"

    axes.xaxis.set_major_locator(AutoDateLocator(minticks=3, maxticks=6))
    axes.xaxis.set_major_formatter(FuncFormatter(label))
