"""Rates by operation: one section a category, its main level first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.publish import figures, page, words
from pipeline.publish.charts.rates_chart import rates_chart
from pipeline.publish.context import Context
from pipeline.publish.fitness import fitness
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import pandas as pd

CSV = "../tables/rates.csv"
HOW_TO_READ = (
    "A window ends so many days after the operation, the day itself included. Only cases whose window has closed are "
    "counted.",
    "The rate is the cases with the complication among all cases. It misses what happened elsewhere.",
    "The rate among cases followed long enough to count is too high, because complications bring people back.",
    "If all lost cases had had the complication, the share would be the one under “If all lost had it”. "
    "The truth lies between.",
    "Awaiting review: cases that are not counted yet; the arrow leads to the share if all of them were confirmed.",
    "Where nothing was counted, the upper end of the interval is printed, not a bare nought.",
    "Clustered: more than 5 % of the cases are two sides of one patient, and the interval is too narrow.",
    "Read the range: many were not followed, and the truth lies between the rate and the worst case.",
    "A case can stand in several categories. The categories do not add up to “Any complication”.",
)


def rates_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    rates = tables.get("rates")
    if rates is None or rates.empty:
        return page.paragraph("No case has a closed window yet, so there are no rates.", "note")
    together = rates[rates["stratum"] == "none"]
    categories = ordered_categories(together["category"].unique().tolist(), context)
    named = words.names(context)
    jump = "".join(f"<li>{page.link('#' + page.anchor(key), named.category(key))}</li>" for key in categories)
    confidence = words.percent(context.settings.confidence, 0)
    parts = _parts(together, categories, context)
    return "\n".join(
        [
            page.paragraph(
                f"For each category: how often it happened after each operation, with its {confidence} interval "
                f"and what could not be seen.", "lead",
            ),
            fitness(context),
            f"<details open><summary>How to read the columns</summary>{page.bullets(HOW_TO_READ)}</details>",
            f'<ul class="jump">{jump}</ul>',
            *(_section(key, parts[key], _of_others(tables, key), context) for key in categories),
            _elsewhere(rates, context),
        ]
    )  # fmt: skip


def ordered_categories(keys: list[str], context: Context) -> list[str]:
    """Any complication first, then the catalogue's order, then what it does not know."""
    order = [ANY_COMPLICATION, *context.catalogue.complications]
    return sorted(keys, key=lambda key: (order.index(key) if key in order else len(order), key))


def ordered_operations(keys: list[str], context: Context) -> list[str]:
    """All together first, then by the catalogue's precedence; two together after the first of them."""
    known = context.catalogue.procedures
    place = {key: (known[key].precedence, number) for number, key in enumerate(known)}

    def rank(key: str) -> tuple[object, ...]:
        parts = key.split("+")
        return (key != "all", place.get(parts[0], (len(place), len(place))), len(parts), key)

    return sorted(keys, key=rank)


def in_order(rows: pd.DataFrame, context: Context) -> pd.DataFrame:
    """Rows of `rates` by operation, then window."""
    ranks = {
        key: rank for rank, key in enumerate(ordered_operations(rows["procedure"].unique().tolist(), context))
    }
    ranked = rows.assign(_rank=rows["procedure"].map(ranks))
    return ranked.sort_values(["_rank", "level", "window_days"], kind="stable", ignore_index=True)


def _of_others(tables: Mapping[str, pd.DataFrame], category: str) -> pd.DataFrame | None:
    """What others published of a category."""
    published = tables.get("published_figures")
    return None if published is None else published[published["category"] == category]


@dataclass(frozen=True)
class _Part:
    """One category and level, in the order of print.

    Attributes:
        rows: Of `rates`.
        printed: The same as text.
    """

    rows: pd.DataFrame
    printed: pd.DataFrame


def _parts(rows: pd.DataFrame, categories: Sequence[str], context: Context) -> dict[str, dict[str, _Part]]:
    """Category → level → its rows, the main level first; all are put into print at once."""
    named = words.names(context)
    order = {
        key: place
        for place, key in enumerate(
            (category, level)
            for category in categories
            for level in _levels_in_order(
                category, rows.loc[rows["category"] == category, "level"], named, context
            )
        )
    }
    ordered = in_order(rows, context)
    places = np.array(
        [order[key] for key in zip(ordered["category"].tolist(), ordered["level"].tolist(), strict=True)]
    )
    ordered = ordered.iloc[np.argsort(places, kind="stable")].reset_index(drop=True)
    printed = figures.in_print(ordered, context)
    printed.insert(0, "window", [words.window(days) for days in ordered["window_days"].tolist()])
    printed.insert(0, "operation", [named.operation(key) for key in ordered["procedure"].tolist()])
    ends = np.cumsum(np.bincount(places, minlength=len(order))).tolist()
    found: dict[str, dict[str, _Part]] = {category: {} for category in categories}
    for (category, level), begin, end in zip(order, [0, *ends], ends, strict=False):
        found[category][level] = _Part(ordered.iloc[begin:end], printed.iloc[begin:end])
    return found


def _section(
    category: str, levels: Mapping[str, _Part], others: pd.DataFrame | None, context: Context
) -> str:
    named = words.names(context)
    main = named.main_level(category)
    title = named.category(category)
    told = {key: f"{title}, {named.level(category, key)}".removesuffix(", ") for key in (main, *levels)}
    about = _about(category, context)
    first = levels.get(main)
    parts = [
        f'<section><h2 id="{page.anchor(category)}">{page.text(title)}</h2>',
        page.paragraph(about) if about else "",
        rates_chart(f"c-{page.anchor(category)}", first.rows, title, context, others) if first else "",
        _rates_table(first.printed, told[main])
        if first
        else page.paragraph(f"{told[main]}: no case with a closed window.", "soft"),
    ]
    further = [_rates_table(part.printed, told[key]) for key, part in levels.items() if key != main]
    if further:
        parts.append(
            f"<details><summary>{page.text(title)} counted more narrowly or more widely</summary>{''.join(further)}</details>"
        )
    return "\n".join([*parts, "</section>"])


def _levels_in_order(category: str, keys: pd.Series, named: words.Names, context: Context) -> list[str]:
    """The main level first, then the catalogue's order."""
    known, main = context.catalogue.complications.get(category), named.main_level(category)
    order = [level.key for level in known.levels] if known else []
    return sorted(
        keys.unique().tolist(),
        key=lambda key: (key != main, order.index(key) if key in order else len(order), key),
    )


def _about(category: str, context: Context) -> str:
    """How the category is seen and from which day it can be counted, in words."""
    known = context.catalogue.complications.get(category)
    if known is None:
        return (
            "A case counts once, however many complications it had." if category == ANY_COMPLICATION else ""
        )
    seen = "at visits" if known.seen_in == "visit" else "in the records"
    first = f" and counted from day {known.first_day}" if known.first_day else ""
    hole = " Only where the operation makes a hole or a cut in the bone." if known.needs_hole else ""
    return f"Seen {seen}{first}.{hole}"


def _rates_table(printed: pd.DataFrame, caption: str) -> str:
    return page.table(
        printed,
        f"r-{page.short_id(caption)}",
        caption,
        {"window": Show("Window"), **figures.RATE_COLUMNS},
        csv=CSV,
        stub="window",
        grouped_by="operation",
    )


def _elsewhere(rates: pd.DataFrame, context: Context) -> str:
    """Strata are in the file, not on the page."""
    by = [words.plain(word) for word in context.settings.strata if (rates["stratum"] == word).any()]
    if not by:
        return ""
    return f'<p class="soft">The same by {page.text(words.listed(by))}: {page.link(CSV, "tables/rates.csv")}.</p>'
