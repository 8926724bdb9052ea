"""Over time: cases by period, complications by period of operation, running charts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.periods import Period
from pipeline.publish import page, rates_page, words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.by_period import (
    HOW_TO_READ_SHARES,
    MOST_PERIODS,
    PeriodShare,
    bar_chart,
    named_periods,
    numbers_told,
    share_chart,
    shares_told,
)
from pipeline.publish.charts.rates_chart import chosen_window
from pipeline.publish.context import Context
from pipeline.publish.fitness import fitness
from pipeline.publish.numbers import Whose
from pipeline.publish.running_part import running_part, summary

if TYPE_CHECKING:
    import pandas as pd

VOLUMES, COHORTS = "../tables/volumes.csv", "../tables/cohorts.csv"


def over_time_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    return "\n".join(
        [
            page.paragraph(
                "How many cases there were, how they fared, and whether anything has changed.", "lead"
            ),
            fitness(context),
            *(page.paragraph(line) for line in summary(tables)),
            _volumes(tables, context),
            _cohorts(tables, context),
            running_part(tables, context),
        ]
    )


def _volumes(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """Bars by operation, all on one scale but for all operations together."""
    title = '<h2 id="volumes">Cases by period of operation</h2>'
    rows = tables.get("volumes")
    periods = named_periods([str(name) for name in rows["period"].unique()]) if rows is not None else []
    if rows is None or not periods:
        return title + page.paragraph("No case yet.", "note")
    numbers = _numbers(rows)
    single = [max(own.values()) for key, own in numbers.items() if key != "all"]
    top = drawing.top_of(max(single, default=1), 4)
    figures = []
    for place, key in enumerate(rates_page.ordered_operations(list(numbers), context)):
        name = words.names(context).operation(key)
        own = drawing.top_of(max(numbers[key].values()), 4) if key == "all" else top
        drawn = bar_chart(f"v-{place}", f"Cases by period: {name}", periods, numbers[key], own)
        number = partial(_done_in, name, Whose(procedure=key), periods, context)
        figures.append(drawing.figure(drawn, name, numbers_told(periods, numbers[key], number)))
    return title + drawing.gallery(figures) + page.source(VOLUMES)


def _is_whole(year: int, periods: Sequence[Period]) -> bool:
    """No period of the year is left to the file."""
    return len(periods) < MOST_PERIODS or year > periods[0].first_day.year or periods[0].first_day.month == 1


def _done_in(
    name: str, whose: Whose, periods: Sequence[Period], context: Context, told: str, kind: str, year: int
) -> str:
    """Cases of a year in print, leading to them."""
    if not _is_whole(year, periods):
        return told
    own = replace(whose, period=str(year))
    return context.lists.found(
        told, "Cases by year of operation", f"{name}, {year}", lambda facts: facts.of(own)
    )


def _judged_in(
    key: str, window: int, periods: Sequence[Period], context: Context, told: str, kind: str, year: int
) -> str:
    """Closed cases of a year, or those with any complication, in print, leading to them."""
    if not _is_whole(year, periods):
        return told
    level = words.names(context).main_level(ANY_COMPLICATION)
    return context.lists.number(
        told, kind, Whose(procedure=key, period=str(year)), ANY_COMPLICATION, level, window
    )


def _numbers(rows: pd.DataFrame) -> dict[str, dict[str, int]]:
    """Operation → period → cases; all operations together where there is more than one."""
    counted = rows.groupby(["procedure", "period"], sort=True, as_index=False)["cases"].sum()
    numbers: dict[str, dict[str, int]] = {}
    columns = (counted[name].tolist() for name in ("procedure", "period", "cases"))
    for key, period, many in zip(*columns, strict=True):
        for group in dict.fromkeys((str(key), "all")):
            own = numbers.setdefault(group, {})
            own[str(period)] = own.get(str(period), 0) + int(many)
    return numbers


def _cohorts(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """Any complication by period of operation, one picture an operation."""
    title = '<h2 id="cohorts">Complications by period of operation</h2>'
    rows = tables.get("cohorts")
    if rows is None or rows.empty:
        return title + page.paragraph("No case has a closed window yet.", "note")
    chosen = rows[(rows["stratum"] == "none") & (rows["category"] == ANY_COMPLICATION) & rows["rate"].notna()]
    if chosen.empty:
        return title + page.paragraph("No case has a closed window yet.", "note")
    window = chosen_window([int(days) for days in chosen["window_days"].unique()])
    own = chosen[chosen["window_days"] == window]
    periods = named_periods([str(name) for name in own["period"].unique()])
    name = words.names(context).category(ANY_COMPLICATION)
    said = f"{name} {words.window(window)}, by when the operation was done. Other categories and windows are in the file."
    shares = {str(key): _shares(part) for key, part in own.groupby("procedure", sort=True)}
    ordered = rates_page.ordered_operations(list(shares), context)
    figures = [
        _cohort(number, key, shares[key], periods, name, window, context)
        for number, key in enumerate(ordered)
    ]
    how = page.paragraph(HOW_TO_READ_SHARES, "soft")
    return title + page.paragraph(said) + how + drawing.gallery(figures) + page.source(COHORTS)


def _shares(rows: pd.DataFrame) -> dict[str, PeriodShare]:
    columns = ("period", "cases", "events", "ci_low", "ci_high", "closed")
    return {
        str(period): PeriodShare(int(cases), int(events), float(low), float(high), bool(closed))
        for period, cases, events, low, high, closed in zip(
            *(rows[name].tolist() for name in columns), strict=True
        )
    }


def _cohort(
    number: int,
    key: str,
    shares: dict[str, PeriodShare],
    periods: list[Period],
    name: str,
    window: int,
    context: Context,
) -> str:
    operation = words.names(context).operation(key)
    drawn = share_chart(f"o-{number}", f"{name} by period: {operation}", periods, shares, 1.0)
    listed = partial(_judged_in, key, window, periods, context)
    return drawing.figure(drawn, operation, shares_told(periods, shares, listed))
