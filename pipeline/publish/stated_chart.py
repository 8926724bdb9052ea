"""The stated comparison as a picture: its difference under each way of counting the lost, and within age bands."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.publish import words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.intervals import POINTS, Interval, interval_plot
from pipeline.publish.context import Context

if TYPE_CHECKING:
    import pandas as pd

#: Ways of counting the lost → heading and label of the row.
COUNTED = {
    "all_cases": "all cases, the lost as without it",
    "followed": "only cases followed long enough",
    "worst_for_a": "if all lost of the first arm had it",
    "worst_for_b": "if all lost of the second arm had it",
}
WITHIN = "within age bands, all cases"
HOW_TO_READ = (
    "Dot: the difference, first arm less second. Line: its interval. Where the line crosses the broken line at 0, these "
    "counts fit no difference too."
)


def stated_chart(stated: pd.DataFrame, question: str, arms: tuple[str, str], context: Context) -> str:
    """The figure; nothing without a difference.

    Args:
        stated: Rows of `comparisons` of the one question, in the order of print.
        question: What is compared, for the title.
        arms: What its arms are called.
        context: Of the edition.
    """
    own = stated[stated["isolated_only"].fillna(False).astype(bool)]
    own = own if len(own) else stated
    rows = own.to_dict("records")
    together = [row for row in rows if not row["stratum_value"] or words.is_missing(row["stratum_value"])]
    bands = [row for row in rows if row not in together]
    confidence = words.percent(context.settings.confidence, 0)
    intervals = [interval for row in together for interval in _together(row)]
    intervals += [
        _interval(row, f"age {row['stratum_value']}", "Of one age band alone")
        for row in bands
        if row["analysis"] == "all_cases"
    ]
    known = [interval for interval in intervals if interval is not None]
    if not known:
        return ""
    a, b = arms
    axis = "percentage points; right of 0: more with the first"
    title = f"Difference with its {confidence} interval. {question}"
    legend = f"{HOW_TO_READ} First arm: {a}. Second arm: {b}."
    return drawing.figure(interval_plot("stated-chart", title, known, POINTS, axis), title, legend)


def _together(row: Mapping[Hashable, object]) -> list[Interval | None]:
    """All ages: as counted, and for all cases the figure within age bands below it."""
    heading = "All ages"
    label = COUNTED.get(str(row["analysis"]), words.plain(row["analysis"]))
    found = [_interval(row, label, heading)]
    if row["analysis"] == "all_cases" and not words.is_missing(row["adj_risk_difference"]):
        found.append(
            _drawn(row, ("adj_risk_difference", "adj_rd_low", "adj_rd_high"), WITHIN, heading, "", "diamond")
        )
    return found


def _interval(row: Mapping[Hashable, object], label: str, heading: str) -> Interval | None:
    if words.is_missing(row["risk_difference"]):
        return None
    counts = (
        f"{words.count(row['events_a'])} of {words.count(row['cases_a'])} v "
        f"{words.count(row['events_b'])} of {words.count(row['cases_b'])}"
    )
    return _drawn(row, ("risk_difference", "rd_ci_low", "rd_ci_high"), label, heading, counts, "dot")


def _drawn(
    row: Mapping[Hashable, object],
    columns: tuple[str, str, str],
    label: str,
    heading: str,
    counts: str,
    kind: str,
) -> Interval:
    value, low, high = (
        float("nan") if words.is_missing(row[name]) else float(str(row[name])) for name in columns
    )
    told = (
        f"{heading}, {label}: {words.points(value)} points, from {words.points(low)} to {words.points(high)}"
    )
    return Interval(
        label, value, low, high, counts, told + (f" ({counts})" if counts else ""), kind=kind, heading=heading
    )
