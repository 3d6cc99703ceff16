"""What all figures share: colours, style, axes, and themed SVG bytes.

Pyplot is never imported: it keeps global state. Colours are three of Okabe and Ito's
colour-blind-safe set (jfly.uni-koeln.de/color) that keep 3:1 contrast on white and on near-black.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.dates import MONTHLY, AutoDateLocator, date2num, num2date
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from reports.wording import MONTHS

BLUE, VERMILLION, GREEN = "#0072B2", "#D55E00", "#009E73"
INK = "#1a1a1a"
INK_DARK = "#e8e8e8"
WIDTH_IN = 5.0
INKED = ("text.color", "axes.labelcolor", "axes.edgecolor", "xtick.color", "ytick.color")
STYLE: dict[Any, Any] = {
    **dict.fromkeys(INKED, INK),
    **dict.fromkeys(("axes.facecolor", "figure.facecolor"), "none"),
    **dict.fromkeys(("axes.spines.top", "axes.spines.right", "legend.frameon"), False),
    **dict.fromkeys(("text.parse_math", "text.usetex", "axes.formatter.use_mathtext"), False),
    "axes.unicode_minus": True,
    "font.family": "DejaVu Sans",
    "font.size": 11.0,
    "legend.fontsize": 10.0,
    "lines.linewidth": 1.4,
    "svg.fonttype": "path",
    "timezone": "UTC",
}

Floats = NDArray[np.float64]

styled = mpl.rc_context(STYLE)
"""Decorates each function that draws."""


def svg(figure: Figure, name: str) -> bytes:
    """The figure as themed SVG bytes: ink follows the reader's light or dark mode.

    Args:
        figure: made here.
        name: salts the ids, so that they are repeatable and differ between figures.
    """
    out = io.BytesIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    with mpl.rc_context({**STYLE, "svg.hashsalt": name}):
        _lay_out(figure)
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


def _lay_out(figure: Figure) -> None:
    """Lay a figure out, once and for all: else all of it is drawn a second time to that end."""
    FigureCanvasSVG(figure)  # by the measures of the file
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
        figure.set_layout_engine(None)


def panel(height_in: float) -> tuple[Figure, Axes]:
    """A figure with one pair of axes, laid out around its labels."""
    figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
    return figure, figure.subplots()


def legend_below(figure: Figure, columns: int, **spacing: Any) -> None:
    """One legend for the whole figure."""
    figure.legend(loc="outside lower center", ncols=columns, **spacing)


def height_axis(axes: Axes, unit: str, ticks: int) -> None:
    """Unit, ticks and grid of the y axis."""
    axes.set_ylabel(unit)
    axes.yaxis.set_major_locator(MaxNLocator(ticks))
    faint_grid(axes)


def no_height_axis(axes: Axes, x_label: str) -> None:
    """Axes whose height means nothing."""
    axes.spines["left"].set_visible(False)
    axes.set_yticks([])
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.set_xlabel(x_label)


def faint_grid(axes: Axes) -> None:
    """Level lines behind all else."""
    axes.grid(axis="y", color=INK, alpha=0.18, lw=0.6)
    axes.set_axisbelow(True)


def label_above(
    axes: Axes,
    x: float,
    text: str,
    colour: str,
    shift_pt: tuple[float, float] = (0, 3),
    side: str | None = None,
) -> None:
    """A label above the axes, kept within them; the x limits must be set unless `side` is."""
    if side is None:
        left, right = axes.get_xlim()
        part = (x - left) / (right - left)
        side = "left" if part < 0.1 else "right" if part > 0.9 else "center"
    axes.annotate(
        text,
        (x, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=shift_pt,
        textcoords="offset points",
        ha=side,
        color=colour,
        fontweight="bold",
    )


MONTHS_TOLD = 120
"""A log of more days has months at its axis, not days."""


def date_axis(axes: Axes) -> None:
    """Days, or months where the log spans years; a short log is given some room."""
    low, high = axes.get_xlim()
    if high - low < 4:
        low, high = low - 2, high + 2
        axes.set_xlim(low, high)
    years = high - low > 500

    def label(days: float, _: int) -> str:
        day = num2date(days)
        month = MONTHS[day.month - 1]
        return f"{month} {day.year}" if years else f"{day.day} {month}"

    # Multiples of days begin anew with each month: its last label would touch the next one's first.
    locator = AutoDateLocator(minticks=3, maxticks=6, interval_multiples=high - low > MONTHS_TOLD)
    locator.intervald[MONTHLY] = [1, 2, 3, 4, 6, 12]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(FuncFormatter(label))


def evenly_picked(count: int, most: int) -> NDArray[np.int64]:
    """At most `most` of `count` places, evenly spread, the last one always in."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(np.int64))


def noons(days: Sequence[str]) -> Floats:
    """Matplotlib's numbers of the middles of ISO dates."""
    return np.asarray(date2num([datetime.fromisoformat(f"{day}T12:00") for day in days]))
