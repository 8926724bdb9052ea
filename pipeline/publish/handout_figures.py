"""Rates in the handout: counts in words, one interval plot, and a short table for each category."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil
from typing import TYPE_CHECKING, Any

from pipeline.publish import figures, rates_page, words
from pipeline.publish.context import Context
from pipeline.publish.figures import Rate
from pipeline.publish.front import glance_window

if TYPE_CHECKING:
    import pandas as pd

#: Operations and categories in one table of rates.
MOST_ROWS, ACROSS = 16, 4
MOST_IN_PLOT = 14
TOGETHER = "all"


def outcome_rows(
    tables: Mapping[str, pd.DataFrame], category: str, level: str, context: Context
) -> pd.DataFrame:
    """Rows of `rates` over all cases, one a procedure, at the chosen window or the longest before it with figures."""
    rates = tables.get("rates")
    if rates is None or rates.empty:
        return _nothing(rates)
    own = rates[(rates["stratum"] == "none") & (rates["category"] == category) & (rates["level"] == level)]
    own = own[own["window_days"] <= glance_window(context)]
    filled = own[own["rate"].notna()]
    if own.empty:
        return own
    window = (own if filled.empty else filled)["window_days"].max()
    return rates_page.in_order(own[own["window_days"] == window], context)


def _nothing(rates: pd.DataFrame | None) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=["procedure", "window_days"]) if rates is None else rates


def counts_in_words(tables: Mapping[str, pd.DataFrame], context: Context) -> list[str]:
    """A sentence a category over all operations, the counts first."""
    named = words.names(context)
    said = []
    for category in context.settings.handout.categories:
        level = named.main_level(category)
        rows = outcome_rows(tables, category, level, context)
        whole = rows[rows["procedure"] == TOGETHER]
        if len(whole):
            outcome = words.within_sentence(named.outcome(category, level))
            said.append(
                _sentence(figures.rates_of(whole)[0], outcome, int(whole["window_days"].iloc[0]), context)
            )
    return said or ["No operation has a closed window yet, so there are no rates."]


def _sentence(row: Rate, outcome: str, window: int, context: Context) -> str:
    """`In 42 operations closed at 365 days, 5 had …: 11.9 % (5.2–25.0 %). 4 of the 42 were …`"""
    closed = f"In {words.several(row.cases, 'operation', 'operations')} closed at {words.count(window)} days"
    if words.is_missing(row.rate):
        return f"{words.sentence(outcome)}: {words.plain(row.note) or 'no figure'}."
    had = words.count(row.events) if row.events else "none"
    share = figures.rate_words(row, context.settings.tolerance.observed_share)
    ranged = bool(row.events) or figures.is_uncertain(row, context.settings.tolerance.observed_share)
    told = f": {share}" if ranged else f" (a true share up to {words.percent(row.ci_high)} would still fit)"
    return f"{closed}, {had} had {outcome}{told}.{_lost(row)}{_measured(row)}"


def _measured(row: Rate) -> str:
    """Never measured is not none, so few measured are said."""
    if not figures.is_seldom_assessed(row):
        return ""
    return f" Only {words.count(row.assessed)} of the {words.count(row.cases)} were measured for it."


def _lost(row: Rate) -> str:
    lost = int(row.lost)
    if not lost:
        return ""
    were = "was" if lost == 1 else "were"
    return (
        f" {words.count(lost)} of the {words.count(row.cases)} {were} not followed long enough; had all of these had it, it "
        f"would be {words.percent(row.worst_case)}."
    )


def rates_blocks(tables: Mapping[str, pd.DataFrame], context: Context) -> list[dict[str, Any]]:
    """Tables of operations by categories that are not pictured, at most four categories wide."""
    named = words.names(context)
    columns = []
    for category in context.settings.handout.categories:
        outcome = (category, named.main_level(category))
        rows = outcome_rows(tables, *outcome, context)
        if len(rows) and outcome != _pictured(context):
            columns.append((outcome, rows))
    keys, left = _most_operated([rows for _, rows in columns], context)
    return [
        _block(columns[start : start + ACROSS], keys, left, context)
        for start in range(0, len(columns), ACROSS)
    ]


def _most_operated(found: list[pd.DataFrame], context: Context) -> tuple[list[str], int]:
    """Operations with most closed cases in any of the tables, in the order of print, and how many are left out."""
    most: dict[str, int] = {}
    for rows in found:
        for key, cases in zip(rows["procedure"].astype(str), rows["cases"], strict=True):
            most[key] = max(most.get(key, 0), int(cases))
    ranked = sorted(most, key=lambda key: (key != TOGETHER, -most[key], key))
    return rates_page.ordered_operations(ranked[:MOST_ROWS], context), max(0, len(ranked) - MOST_ROWS)


def _block(
    columns: list[tuple[tuple[str, str], pd.DataFrame]], keys: list[str], left: int, context: Context
) -> dict[str, Any]:
    named = words.names(context)
    heads = [
        {"outcome": named.outcome(*outcome), "window": words.window(rows["window_days"].iloc[0])}
        for outcome, rows in columns
    ]
    told = [dict(_told(rows)) for _, rows in columns]
    return {
        "heads": heads,
        "rows": [
            {
                "operation": named.operation(key),
                "whole": key == TOGETHER,
                "cells": [_cell(rates.get(key), context) for rates in told],
            }
            for key in keys
        ],
        "below": _left_out(left),
    }


def _largest(rows: pd.DataFrame, most: int) -> tuple[pd.DataFrame, int]:
    """The rows with most cases, in their order, and how many are left out; all together always stays."""
    ranked = rows.assign(together=rows["procedure"] == TOGETHER).sort_values(
        ["together", "cases"], ascending=False, kind="stable"
    )
    return rows.loc[ranked.index[:most].sort_values()], max(0, len(rows) - most)


def _told(rows: pd.DataFrame) -> list[tuple[str, Rate]]:
    return list(zip(rows["procedure"].astype(str).tolist(), figures.rates_of(rows), strict=True))


def _cell(row: Rate | None, context: Context) -> dict[str, str]:
    """Counts above, the share with its interval below; or why there is none."""
    if row is None:
        return {"counts": "no closed case", "share": "", "awaiting": ""}
    if words.is_missing(row.rate):
        return {"counts": _reason(row.note), "share": "", "awaiting": ""}
    lost = f" · {words.count(row.lost)} lost" if row.lost else ""
    observed = context.settings.tolerance.observed_share
    share = figures.rate_words(row, observed)
    ranged = bool(row.events) or figures.is_uncertain(row, observed)
    few = f"; {words.count(row.assessed)} measured" if figures.is_seldom_assessed(row) else ""
    return {
        "counts": f"{words.count(row.events)} of {words.count(row.cases)}{lost}{few}",
        "share": share if ranged else f"at most {words.percent(row.ci_high)}",
        "awaiting": f"{words.several(int(row.awaiting), 'awaits', 'await')} review" if row.awaiting else "",
    }


def _reason(note: str) -> str:
    """Why there is no figure, as short as it is still said."""
    return "no figure" if words.is_missing(note) or not note else words.plain(note).partition(":")[0]


def _unseen(row: Rate) -> dict[str, str]:
    return {"lost": words.count(row.lost), "awaiting": words.count(row.awaiting)}


def _left_out(number: int) -> list[str]:
    if not number:
        return []
    return [f"{words.several(number, 'operation', 'operations')} with fewer cases: report/rates.html."]


def interval_plot(tables: Mapping[str, pd.DataFrame], context: Context) -> dict[str, Any]:
    """The one picture: share and interval by operation, of the stated comparison's outcome or the first category."""
    named = words.names(context)
    category, level = _pictured(context)
    rows = outcome_rows(tables, category, level, context)
    shown, left = _largest(rows[rows["rate"].notna()] if len(rows) else rows, MOST_IN_PLOT)
    if shown.empty:
        return {"rows": [], "top": 0.1, "alt": "No picture: no operation has a closed window yet."}
    points = [_point(key, row, context) for key, row in _told(shown)]
    top = min(1.0, ceil(10 * max(float(point["reach"]) for point in points)) / 10 or 0.1)
    title = f"{named.outcome(category, level)} {words.window(shown['window_days'].iloc[0])}, by operation"
    listed = "; ".join(f"{point['operation']}: {point['text']}" for point in points)
    return {
        "title": title,
        "alt": f"Interval plot. {title}. {listed}.",
        "rows": points,
        "top": top,
        "legend": _legend(points, context),
        "below": _left_out(left),
    }


def _pictured(context: Context) -> tuple[str, str]:
    named, stated = words.names(context), context.settings.primary
    if stated:
        return stated.category, stated.level or named.main_level(stated.category)
    first = next(iter(context.settings.handout.categories), "")
    return first, named.main_level(first)


def _point(key: str, row: Rate, context: Context) -> dict[str, Any]:
    """Fractions to draw, and the same in words; only a range where too many are lost."""
    share = context.settings.tolerance.observed_share
    ranged = figures.is_uncertain(row, share)
    counts = f"{words.count(row.events)} of {words.count(row.cases)}"
    return {
        "operation": words.names(context).operation(key),
        "whole": key == TOGETHER,
        "counts": counts,
        "text": f"{counts}, {figures.rate_words(row, share)}",
        "share": figures.rate_words(row, share),
        **_unseen(row),
        "rate": float(row.rate),
        "low": float(row.ci_low),
        "high": float(row.ci_high),
        "worst": float(row.worst_case) if ranged else None,
        "reach": max(float(row.ci_high), float(row.worst_case) if ranged else 0.0),
    }


def _legend(points: list[dict[str, Any]], context: Context) -> str:
    confidence = words.percent(context.settings.confidence, 0)
    told = f"Dot: share of the closed cases. Line: {confidence} interval."
    if any(point["worst"] is not None for point in points):
        told += (
            " Grey bar: so many cases were lost that only a range can be given, from none of the lost having it to all of "
            "them."
        )
    return told
