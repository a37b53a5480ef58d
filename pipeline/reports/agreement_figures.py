"""The pictures of the agreement page, as SVG text that takes its colours from the page."""

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
from matplotlib.dates import AutoDateLocator, num2date
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.ticker import FuncFormatter

from pipeline.agreement.drift.charts import LEAST_NIGHTS
from pipeline.agreement.wording import metric_words, number_words, unit_words
from schemas.drift import OWN_HISTORY

# Each stands for a colour of the page's style sheet, light or dark, and is put in its place in the finished SVG.
INK, FAINT, PAPER, MAIN, ACCENT = "#010203", "#040506", "#070809", "#0a0b0c", "#0d0e0f"
_VARIABLES = {
    INK: "var(--ink)",
    FAINT: "var(--faint)",
    PAPER: "var(--paper)",
    MAIN: "var(--main)",
    ACCENT: "var(--accent)",
}
POINTS_DRAWN = 600
# Turns are drawn larger than they are, or nobody would see them.
TURN_DRAWN_TIMES = 10


def difference_plot(differences: pl.DataFrame, row: dict[str, Any]) -> str:
    """Differences b - a (columns `mean`, `d`) against the mean reading, with bias, limits of agreement and their intervals, and tolerance."""
    with _figure(5.2, 3.1) as (figure, text):
        axes = figure.subplots()
        shown = differences.gather_every(max(1, math.ceil(differences.height / POINTS_DRAWN)))
        axes.plot(shown["mean"], shown["d"], "o", ms=3, mfc="none", mec=MAIN, mew=0.7, alpha=0.55)
        for edge in (-row["tolerance"], row["tolerance"]):
            axes.axhline(edge, color=FAINT, lw=0.9, ls=(0, (1, 2)))
        for name in ("loa_low", "loa_high"):
            if row[f"{name}_low"] is not None:
                axes.axhspan(row[f"{name}_low"], row[f"{name}_high"], color=ACCENT, alpha=0.16, lw=0)
        for name, words in (("loa_low", "lower limit"), ("bias", "bias"), ("loa_high", "upper limit")):
            if row[name] is not None:
                axes.axhline(row[name], color=ACCENT, lw=1.4, ls="-" if name == "bias" else "--")
                axes.annotate(
                    f"{words} {number_words(row['metric'], row[name], signed=True)}",
                    (1.01, row[name]),
                    xycoords=("axes fraction", "data"),
                    va="center",
                    color=INK,
                    size=8,
                )
        low, high = _range(row)
        axes.set_ylim(low, high)
        beyond = shown.filter(~pl.col("d").is_between(low, high)).height
        unit = unit_words(row["metric"])
        axes.set_xlabel(f"mean of both, {unit}" if unit else "mean of both")
        axes.set_ylabel(f"difference, {unit}" if unit else "difference")
        _heading(
            axes,
            f"Difference in {metric_words(row['metric'])}"
            + (f" ({beyond} point{'s lie' if beyond > 1 else ' lies'} outside the picture)" if beyond else ""),
        )
        figure.subplots_adjust(left=0.15, right=0.8, top=0.9, bottom=0.16)
    return text()


def control_chart(nights: pl.DataFrame) -> str:
    """The drift table's rows of one pair and metric: night by night with error bars, levels and alarms; below it the smoothed score, if there is one."""
    scored = nights["ewma"].null_count() < nights.height
    with _figure(5.2, 3.4 if scored else 2.6) as (figure, text):
        above, below = figure.subplots(2, sharex=True, height_ratios=(3, 1.2)) if scored else (figure.subplots(), None)
        days, metric = nights["baseball_day"].to_list(), nights["metric"][0]
        _draw_nights(above, nights)
        unit = unit_words(metric)
        above.set_ylabel(f"difference, {unit}" if unit else "difference")
        few = nights.height < LEAST_NIGHTS and nights["tracker_a"][0] != OWN_HISTORY
        told = f" (no chart before {LEAST_NIGHTS} nights)" if few else ""
        _heading(above, f"{metric_words(metric).capitalize()} by night{told}")
        if below is not None:
            below.plot(days, nights["ewma"].to_numpy(), color=INK, lw=1.0)
            for edge in ("ewma_low", "ewma_high"):
                below.plot(days, nights[edge].to_numpy(), color=ACCENT, lw=0.9, ls="--")
            below.set_ylabel("smoothed\nscore")
        lowest = above if below is None else below
        lowest.xaxis.set_major_locator(AutoDateLocator(maxticks=6))  # type: ignore[no-untyped-call]
        lowest.xaxis.set_major_formatter(FuncFormatter(_tick_words(days[-1] - days[0])))
        margin = timedelta(days=1)
        lowest.set_xlim(days[0] - margin, days[-1] + margin)
        figure.subplots_adjust(left=0.15, right=0.95, top=0.91, bottom=0.13 if scored else 0.17, hspace=0.12)
    return text()


def _draw_nights(axes: Axes, nights: pl.DataFrame) -> None:
    """Each night's difference with two standard errors, the levels, and what was under alarm."""
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
    """From above and from first base: how b's line to the mound lies on a's. `found` holds rows of table setup by quantity."""
    with _figure(5.2, 3.3) as (figure, text):
        top, side = figure.subplots(1, 2)
        _lines_to_the_mound(top, found, ("aim_deg", "side_in"), -1.0)
        top.text(-7.6, 30, "third\nbase", color=FAINT, size=8, ha="center", va="center")
        top.text(7.6, 30, "first\nbase", color=FAINT, size=8, ha="center", va="center")
        _heading(top, "From above")
        _lines_to_the_mound(side, found, ("tilt_deg", "height_in"), -1.0)
        side.text(7.6, 30, "up", color=FAINT, size=8, ha="center", va="center")
        side.text(-7.6, 30, "down", color=FAINT, size=8, ha="center", va="center")
        _heading(side, "From the side, plate below")
        figure.subplots_adjust(left=0.02, right=0.98, top=0.9, bottom=0.02, wspace=0.05)
    return text()


def _lines_to_the_mound(axes: Axes, found: dict[str, dict[str, Any]], quantities: tuple[str, str], sign: float) -> None:
    turn, shift = (found.get(name, {}).get("value") or 0.0 for name in quantities)
    axes.add_patch(Polygon([(-0.7, 0.7), (0.7, 0.7), (0.7, 0), (0, -0.7), (-0.7, 0)], closed=True, fc=PAPER, ec=FAINT))
    axes.plot([-1, 1], [60.5, 60.5], color=FAINT, lw=3, solid_capstyle="butt")
    axes.plot([0, 0], [0, 60.5], color=FAINT, lw=2)
    # b's own frame lies the other way from how it makes readings move
    start = -shift / 12 * TURN_DRAWN_TIMES
    end = start + sign * math.tan(math.radians(turn)) * 60.5 * TURN_DRAWN_TIMES
    clipped = float(np.clip(end, -9.5, 9.5))
    if not found.keys().isdisjoint(quantities):
        axes.plot([start, clipped], [0, 60.5], color=ACCENT, lw=1.6, ls="--")
    words = [f"{abs(turn):.2f} deg"] if quantities[0] in found else ["turn can't be told"]
    words += [f"{abs(found[quantities[0]]['at_rubber_in']):.1f} in at the rubber"] if quantities[0] in found else []
    axes.text(0, 66, ", ".join(words), ha="center", color=INK, size=8.5)
    if quantities[1] in found:
        axes.text(0, -5.5, f"{abs(shift):.1f} in at the plate", ha="center", color=INK, size=8.5)
    axes.set_xlim(-10, 10)
    axes.set_ylim(-9, 72)
    axes.set_axis_off()


def _range(row: dict[str, Any]) -> tuple[float, float]:
    """From below to above what must be seen: limits, tolerance and zero."""
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
        f"since {_day(last['change_day'])}",
        (last["change_day"], 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(3, -10),
        textcoords="offset points",
        color=INK,
        size=8,
    )


def _day(day: date) -> str:
    return f"{day.day} {day:%b}"


def _tick_words(span: timedelta) -> Callable[[float, int], str]:
    """How days are written below a picture: "14 Oct", or "Oct 2026" where it reaches over more than ten months."""

    def words(number: float, _place: int) -> str:
        day = num2date(number)  # type: ignore[no-untyped-call]
        return f"{day:%b %Y}" if span > timedelta(days=300) else _day(day)

    return words


def _heading(axes: Axes, words: str) -> None:
    axes.set_title(words, loc="left", size=9.5, color=INK)


@contextmanager
def _figure(width: float, height: float) -> Iterator[tuple[Figure, Callable[[], str]]]:
    """A figure in the page's style, and a function that gives its SVG once it is drawn."""
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
    # groups are named alike in every figure, and a page's ids must be its own
    text = re.sub(r' id="[a-zA-Z]\w*_\d+"', "", text)
    return re.sub(r'width="[\d.]+pt" height="[\d.]+pt"', 'class="figure" role="img"', text, count=1)
