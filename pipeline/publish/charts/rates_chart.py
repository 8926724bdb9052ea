"""Rates by operation as intervals: one picture a category, at one window."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.publish import figures, words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.intervals import NOWHERE, Interval, interval_plot
from pipeline.publish.context import Context

if TYPE_CHECKING:
    import pandas as pd

YEAR = 365
HOW_TO_READ = "Dot: the rate. Line: its interval. Dots to an empty diamond: how far it would rise if all lost cases had had it."
OTHERS = "Figures of others, not tested against ours"
OTHERS_TOLD = "Cross and broken line: what others published, of other patients and by other rules."


def rates_chart(
    name: str, rows: pd.DataFrame, title: str, context: Context, others: pd.DataFrame | None = None
) -> str:
    """The rates of one category and level after each operation, as a figure; nothing without an estimate.

    The window is a year, or the longest shorter one, or else the shortest that has rates.

    Args:
        name: Unique on its page.
        rows: Of `rates`: one category and level, stratum `none`, in the order of print.
        title: What the category is called.
        context: Of the edition.
        others: Rows of `published_figures` of the category: drawn in grey below ours.
    """
    known = rows[rows["rate"].notna()]
    if known.empty:
        return ""
    window = chosen_window([int(days) for days in known["window_days"].unique()])
    shown = rows[rows["window_days"] == window]
    named = words.names(context)
    observed = context.settings.tolerance.observed_share
    intervals = [
        _interval(rate, named.operation(key), observed)
        for rate, key in zip(figures.rates_of(shown), shown["procedure"], strict=True)
    ]
    caption = f"{title} {words.window(window)}, by operation"
    told = HOW_TO_READ
    if others is not None and not others.empty:
        intervals += [_of_others(row) for row in others.to_dict("records")]
        told = f"{HOW_TO_READ} {OTHERS_TOLD}"
    axis = "cases with it among all cases whose window has closed"
    return drawing.figure(interval_plot(name, caption, intervals, axis=axis), caption, told)


def chosen_window(days: list[int]) -> int:
    """A year, or the longest window up to a year, or the shortest there is."""
    return max((each for each in days if each <= YEAR), default=min(days))


def _interval(rate: figures.Rate, label: str, observed_share: float) -> Interval:
    if words.is_missing(rate.rate):
        why = words.plain(rate.note) if not words.is_missing(rate.note) and rate.note else "no estimate"
        return Interval(label, said=why, told=f"{label}: {why}")
    said = (
        f"{words.count(rate.events)} of {words.count(rate.cases)}"
        if rate.events
        else f"none in {words.count(rate.cases)}"
    )
    share = figures.rate_words(rate, observed_share)
    told = f"{label}: {share}" + ("" if share.startswith(said) else f", {said}")
    lost = not words.is_missing(rate.lost) and rate.lost
    return Interval(
        label,
        float(rate.rate),
        float(rate.ci_low),
        float(rate.ci_high),
        said,
        told + (f"; {words.percent(rate.worst_case)} if all lost had it" if lost else ""),
        float(rate.worst_case) if lost else NOWHERE,
        "dot" if rate.events else "hollow",
    )


def _of_others(row: Mapping[Hashable, object]) -> Interval:
    """A single figure with its interval, or the range of what several report."""
    label, source = words.sentence(str(row["criterion"])), str(row["source"])
    single = not words.is_missing(row["rate"])
    low, high = (row["ci_low"], row["ci_high"]) if single else (row["lowest"], row["highest"])
    if single:
        counts = f"{words.count(row['events'])} of {words.count(row['cases'])}"
        told = f"{words.percent(row['rate'], 2)} ({words.percents(low, high)}), {counts}"
    else:
        counts = words.percents(low, high)
        told = f"from {counts}"
    value = float(str(row["rate"])) if single else NOWHERE
    said = f"{label}, {source}: {told}"
    return Interval(
        label, value, float(str(low)), float(str(high)), counts, said, kind="cross", heading=OTHERS
    )
