"""Time to event: how long cases stay free of a complication, and what share has had it by when."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, rates_page, words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.curves import (
    HOW_TO_READ,
    Curve,
    Linking,
    curve_chart,
    curves,
    highest_share,
    told,
)
from pipeline.publish.context import Context
from pipeline.publish.fitness import fitness
from pipeline.publish.markup import joined, listed
from pipeline.publish.numbers import Whose

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from pipeline.publish.numbers.facts import CaseFacts

CSV = "../tables/event_free.csv"
RULES = (
    "Every case counts from the day of its operation for as long as it was observed; younger cases count too. So these "
    "shares can differ from the rates, which wait until a window has closed.",
    "Death competes: who dies before it can no longer have it. It is neither counted as having had it nor as still "
    "free of it.",
    "Steps far to the right rest on few cases; look at the number at risk first.",
    "Curves are not tested against one another here.",
)


def time_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    rows = tables.get("event_free")
    if rows is None or rows.empty:
        return page.paragraph("No case has been observed beyond the day of its operation yet.", "note")
    happened = rows.groupby("category", sort=False)["events"].sum()
    categories = rates_page.ordered_categories([str(key) for key in happened.index], context)
    drawn = [key for key in categories if happened[key] > 0]
    named = words.names(context)
    jump = "".join(f"<li>{page.link('#' + page.anchor(key), named.category(key))}</li>" for key in drawn)
    never = [named.category(key) for key in categories if key not in drawn]
    return "\n".join(
        [
            page.paragraph("When complications happen, and in what share of cases by then.", "lead"),
            fitness(context),
            page.bullets(RULES),
            f'<ul class="jump">{jump}</ul>' if jump else "",
            page.paragraph(HOW_TO_READ, "soft") if drawn else "",
            *(_section(key, rows[rows["category"] == key], context) for key in drawn),
            page.paragraph(f"Nothing counted so far: {words.listed(never)}.") if never else "",
            page.source(CSV),
        ]
    )  # fmt: skip


def _section(category: str, rows: pd.DataFrame, context: Context) -> str:
    """The courses after each operation; those without an event in a sentence."""
    named = words.names(context)
    title, windows = named.category(category), sorted({window.days for window in context.settings.windows})
    courses = curves(rows)
    ordered = rates_page.ordered_operations(list(courses), context)
    seen = [key for key in ordered if sum(courses[key].events)]
    top = highest_share([courses[key] for key in seen])
    figures = [
        _figure(category, number, title, key, courses[key], windows, top, context)
        for number, key in enumerate(seen)
    ]
    without = [
        joined(
            f"{named.operation(key)} (",
            _linking(category, title, key, named.operation(key), context)(
                words.several(courses[key].at_risk[0], "case", "cases"), "observed", 0
            ),
            ")",
        )
        for key in ordered
        if key not in seen
    ]
    none = page.paragraph(joined("None so far after: ", listed(without), "."), "soft") if without else ""
    return f'<section><h2 id="{page.anchor(category)}">{page.text(title)}</h2>{drawing.gallery(figures)}{none}</section>'


def _figure(
    category: str,
    number: int,
    title: str,
    key: str,
    course: Curve,
    windows: list[int],
    top: float,
    context: Context,
) -> str:
    operation = words.names(context).operation(key)
    name = f"c-{page.anchor(category)}-{number}"
    drawn = curve_chart(name, f"{title} after: {operation}", course, windows, top)
    return drawing.figure(
        drawn, operation, told(course, windows[-2:], _linking(category, title, key, operation, context))
    )


def _linking(category: str, title: str, key: str, operation: str, context: Context) -> Linking:
    """Gives numbers of a course as links to its cases."""
    whose = Whose(procedure=key)
    outcome = words.within_sentence(title)

    def number(printed: str, kind: str, day: int) -> str:
        called = f"Observed on day {words.count(day)}, without {outcome}"
        if kind == "died":
            called = f"Died before {outcome}"
        elif not day:
            called = "Observed from the operation on"

        def cases(facts: CaseFacts) -> np.ndarray:
            beside = facts.beside
            return beside.course(whose, category).of(kind, min(day, beside.last_day(category)))

        return context.lists.found(printed, f"Observed after {operation}", called, cases)

    return number
