"""The pictures of the agreement page, as SVG text in the page's colors."""

import io
import math
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from typing import Any

import matplotlib as mpl
import numpy as np
import polars as pl
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, date2num, num2date
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.ticker import FuncFormatter

from pipeline.agreement.wording import metric_words, number_words, unit_words
from pipeline.physics.flight import RUBBER_FT
from pipeline.words import day_words, pluralize

# Placeholders for the page's colors, light or dark; the finished SVG has the style sheet's variables instead.
INK, FAINT, PAPER, MAIN, ACCENT = "#010203", "#040506", "#070809", "#0a0b0c", "#0d0e0f"
_VARIABLES = {
    INK: "var(--ink)",
    FAINT: "var(--faint)",
    PAPER: "var(--paper)",
    MAIN: "var(--main)",
    ACCENT: "var(--accent)",
}
# Points of a difference plot at most: more would only make the page larger.
POINTS_DRAWN = 600
# Turns and shifts are drawn this many times too large, so that they can be seen.
TURN_DRAWN_TIMES = 10
# Labels of lines are at least this share of the plot's height apart.
_LABEL_GAP = 0.07
# Dates below a chart at most.
_MOST_TICKS = 6
# A longer chart has months below it.
_LONGEST_WITH_DAYS = timedelta(days=300)


def difference_plot(differences: pl.DataFrame, row: dict[str, Any]) -> str:
    """Draw differences (`d`) against the mean reading (`mean`).

    With bias, limits of agreement and tolerance. `row` is the row of table agreement.
    """
    with _figure(5.2, 3.1) as (figure, text):
        axes = figure.subplots()
        shown = differences.gather_every(max(1, math.ceil(differences.height / POINTS_DRAWN)))
        axes.plot(shown["mean"], shown["d"], "o", ms=3, mfc="none", mec=MAIN, mew=0.7, alpha=0.55)
        for edge in (-row["tolerance"], row["tolerance"]):
            axes.axhline(edge, color=FAINT, lw=0.9, ls=(0, (1, 2)))
        for name in ("loa_low", "loa_high"):
            if row[f"{name}_low"] is not None:
                axes.axhspan(row[f"{name}_low"], row[f"{name}_high"], color=ACCENT, alpha=0.16, lw=0)
        low, high = _range(row)
        axes.set_ylim(low, high)
        _draw_levels(axes, row, _LABEL_GAP * (high - low))
        outside = shown.filter(~pl.col("d").is_between(low, high)).height
        unit = unit_words(row["metric"])
        axes.set_xlabel(f"mean of both, {unit}" if unit else "mean of both")
        axes.set_ylabel(f"difference, {unit}" if unit else "difference")
        note = f" ({pluralize(outside, 'point')} outside)" if outside else ""
        _heading(axes, f"Difference in {metric_words(row['metric'])}{note}")
        figure.subplots_adjust(left=0.15, right=0.8, top=0.9, bottom=0.16)
    return text()


def _draw_levels(axes: Axes, row: dict[str, Any], gap: float) -> None:
    """Draw bias and limits of agreement, with labels at least `gap` apart."""
    bias = row["bias"]
    for name, words, farthest in (
        ("loa_low", "lower limit", min),
        ("bias", "bias", max),
        ("loa_high", "upper limit", max),
    ):
        level = row[name]
        if level is None:
            continue
        axes.axhline(level, color=ACCENT, lw=1.4, ls="-" if name == "bias" else "--")
        place = level
        if name != "bias" and bias is not None:
            place = farthest(level, bias - gap if farthest is min else bias + gap)
        label = f"{words} {number_words(row['metric'], level, signed=True)}"
        axes.annotate(label, (1.01, place), xycoords=("axes fraction", "data"), va="center", color=INK, size=8)


def control_chart(nights: pl.DataFrame) -> str:
    """Draw table drift's rows of one pair and metric.

    Nights with error bars, levels and alarms. The smoothed score is below, if there is one.
    """
    scored = nights["ewma"].null_count() < nights.height
    with _figure(5.2, 3.4 if scored else 2.6) as (figure, text):
        above, below = figure.subplots(2, sharex=True, height_ratios=(3, 1.2)) if scored else (figure.subplots(), None)
        days, metric = nights["baseball_day"].to_list(), nights["metric"][0]
        _draw_nights(above, nights)
        unit = unit_words(metric)
        above.set_ylabel(f"difference, {unit}" if unit else "difference")
        _heading(above, f"{metric_words(metric).capitalize()} by night")
        if below is not None:
            below.plot(days, nights["ewma"].to_numpy(), color=INK, lw=1.0)
            for edge in ("ewma_low", "ewma_high"):
                below.plot(days, nights[edge].to_numpy(), color=ACCENT, lw=0.9, ls="--")
            below.set_ylabel("smoothed\nscore")
        lowest = above if below is None else below
        _label_days(lowest, days[0], days[-1])
        margin = timedelta(days=1)
        lowest.set_xlim(days[0] - margin, days[-1] + margin)
        figure.subplots_adjust(left=0.15, right=0.95, top=0.91, bottom=0.13 if scored else 0.17, hspace=0.12)
    return text()


def _draw_nights(axes: Axes, nights: pl.DataFrame) -> None:
    """Draw each night's difference, the levels, and the nights under alarm.

    Error bars are two standard errors.
    """
    days = nights["baseball_day"].to_list()
    between = nights["between_nights_sd"].fill_null(0.0)
    spread = (nights["se"].to_numpy() ** 2 + between.to_numpy() ** 2) ** 0.5
    axes.errorbar(days, nights["night_bias"], yerr=2 * spread, fmt="o", ms=3, color=MAIN, ecolor=FAINT, elinewidth=0.7)
    axes.step(days, nights["usual_bias"], where="mid", color=FAINT, lw=1.0, ls="--")
    axes.step(days, nights["level"], where="mid", color=ACCENT, lw=1.5)
    alarmed = nights.filter("alarm")
    axes.plot(alarmed["baseball_day"], alarmed["night_bias"], "s", ms=6, mfc="none", mec=ACCENT, mew=1.3)
    _mark_change(axes, alarmed)


def frame_sketch(found: dict[str, dict[str, Any]]) -> str:
    """Draw b's line to the mound on a's, from above and from first base.

    `found` has rows of table setup by quantity.
    """
    with _figure(5.2, 3.3) as (figure, text):
        top, side = figure.subplots(1, 2)
        _lines_to_the_mound(top, found, ("aim_deg", "side_in"))
        top.text(-7.6, 30, "third\nbase", color=FAINT, size=8, ha="center", va="center")
        top.text(7.6, 30, "first\nbase", color=FAINT, size=8, ha="center", va="center")
        _heading(top, "From above")
        _lines_to_the_mound(side, found, ("tilt_deg", "height_in"))
        side.text(7.6, 30, "up", color=FAINT, size=8, ha="center", va="center")
        side.text(-7.6, 30, "down", color=FAINT, size=8, ha="center", va="center")
        _heading(side, "From the side, plate below")
        figure.subplots_adjust(left=0.02, right=0.98, top=0.9, bottom=0.02, wspace=0.05)
    return text()


def _lines_to_the_mound(axes: Axes, found: dict[str, dict[str, Any]], quantities: tuple[str, str]) -> None:
    """Draw both lines for a turn and a shift, `quantities` of table setup."""
    turn, shift = (found.get(name, {}).get("value") or 0.0 for name in quantities)
    axes.add_patch(Polygon([(-0.7, 0.7), (0.7, 0.7), (0.7, 0), (0, -0.7), (-0.7, 0)], closed=True, fc=PAPER, ec=FAINT))
    axes.plot([-1, 1], [RUBBER_FT, RUBBER_FT], color=FAINT, lw=3, solid_capstyle="butt")
    axes.plot([0, 0], [0, RUBBER_FT], color=FAINT, lw=2)
    # b's own frame is turned and shifted opposite to its readings
    start = -shift / 12 * TURN_DRAWN_TIMES
    end = start - math.tan(math.radians(turn)) * RUBBER_FT * TURN_DRAWN_TIMES
    clipped = float(np.clip(end, -9.5, 9.5))
    if not found.keys().isdisjoint(quantities):
        axes.plot([start, clipped], [0, RUBBER_FT], color=ACCENT, lw=1.6, ls="--")
    words = [f"{abs(turn):.2f}°"] if quantities[0] in found else ["turn unknown"]
    words += [f"{abs(found[quantities[0]]['at_rubber_in']):.1f} in at the rubber"] if quantities[0] in found else []
    axes.text(0, 66, ", ".join(words), ha="center", color=INK, size=8.5)
    if quantities[1] in found:
        axes.text(0, -5.5, f"{abs(shift):.1f} in at the plate", ha="center", color=INK, size=8.5)
    axes.set_xlim(-10, 10)
    axes.set_ylim(-9, 72)
    axes.set_axis_off()


def _range(row: dict[str, Any]) -> tuple[float, float]:
    """Return the vertical range that shows limits, tolerance and zero."""
    held = [row[name] for name in ("loa_low", "loa_high", "loa_low_low", "loa_high_high") if row[name] is not None]
    low, high = min(*held, -row["tolerance"]), max(*held, row["tolerance"])
    return low - 0.15 * (high - low), high + 0.15 * (high - low)


def _mark_change(axes: Axes, alarmed: pl.DataFrame) -> None:
    if alarmed.is_empty():
        return
    last = alarmed.row(-1, named=True)
    axes.axvspan(last["change_low"], last["change_high"] + timedelta(days=1), color=ACCENT, alpha=0.14, lw=0)
    axes.axvline(last["change_day"], color=ACCENT, lw=1.0)
    axes.annotate(
        f"since {day_words(last['change_day'])}",
        (last["change_day"], 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(3, -10),
        textcoords="offset points",
        color=INK,
        size=8,
    )


def _label_days(axes: Axes, first: date, last: date) -> None:
    """Write dates below a chart: "Oct 14", or "Oct 2026" over more than ten months."""
    if last - first > _LONGEST_WITH_DAYS:
        axes.xaxis.set_major_locator(AutoDateLocator(maxticks=_MOST_TICKS))  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_formatter(FuncFormatter(lambda number, _: f"{num2date(number):%b %Y}"))  # type: ignore[no-untyped-call]
        return
    # an automatic locator would repeat a date where there are few nights
    step = max(1, math.ceil((last - first).days / (_MOST_TICKS - 1)))
    days = [first + timedelta(days=offset) for offset in range(0, (last - first).days + 1, step)]
    axes.set_xticks(date2num(days), [day_words(day) for day in days])  # type: ignore[no-untyped-call]


def _heading(axes: Axes, words: str) -> None:
    axes.set_title(words, loc="left", size=9.5, color=INK)


@contextmanager
def _figure(width: float, height: float) -> Iterator[tuple[Figure, Callable[[], str]]]:
    """Yield a figure in the page's style, and a function that returns its SVG."""
    style: dict[Any, Any] = {
        "svg.fonttype": "none", "svg.hashsalt": "pitchledger", "font.family": "sans-serif", "font.size": 8.5,
        "axes.edgecolor": FAINT, "axes.labelcolor": INK, "text.color": INK, "xtick.color": INK, "ytick.color": INK,
        "axes.spines.top": False, "axes.spines.right": False, "figure.facecolor": "none", "axes.facecolor": "none",
    }  # fmt: skip
    with mpl.rc_context(style):
        figure = Figure(figsize=(width, height))
        yield figure, lambda: _svg(figure, style)


def _svg(figure: Figure, style: dict[Any, Any]) -> str:
    written = io.StringIO()
    with mpl.rc_context(style):
        figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None})
    text = written.getvalue()
    text = text[text.index("<svg") :]
    for placeholder, variable in _VARIABLES.items():
        text = text.replace(placeholder, variable)
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    # every figure uses the same ids, and ids must be unique on a page
    text = re.sub(r' id="[a-zA-Z]\w*_\d+"', "", text)
    return re.sub(r'width="[\d.]+pt" height="[\d.]+pt"', 'class="figure" role="img"', text, count=1)
