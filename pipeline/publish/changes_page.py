"""What moved since the last signed edition: case by case with the line that moved it, and figure by figure with its causes."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.publish import page, rates_page, words
from pipeline.publish.markup import joined
from pipeline.publish.numbers.whose import Whose
from pipeline.publish.page import Show
from schemas.changes import CAUSES, TIME, UNEXPLAINED

if TYPE_CHECKING:
    from pipeline.publish.context import Context

    Tables = Mapping[str, pd.DataFrame]

CHANGES, FIGURES = "../tables/changes.csv", "../tables/changed_figures.csv"
TOLD_OTHERWISE = "Cases told otherwise"
FIRST = (
    "No signed edition stands to compare with, so nothing can have changed yet. Once an edition is signed, the next ones "
    "say here which cases and figures moved, and because of which lines."
)
NOTHING_MOVED = "All of its cases would be told today as they were then, and no figure has moved."
BECAUSE = {**CAUSES, **TIME, **UNEXPLAINED}
COUNTED = {"cases": "cases", "events": "cases with it", "lost": "lost from view"}
#: Fields of a case that are named otherwise than their column.
FIELDS = {
    "case": "the case itself",
    "group": "operation",
    "performed_on": "day of the operation",
    "contact_until": "day of the last contact",
    "died": "day of death",
}
OF_OPERATIONS = ("case", "group")
OF_DAYS = ("contact_until", "died")
FIGURE = ["procedure", "window_days", "figure", "before", "after"]


def changes_body(tables: Tables, context: Context) -> str:
    """The page between its dates and its cautions."""
    if not context.compared_with:
        return page.paragraph(FIRST, "note")
    lead = page.paragraph(_lead(tables, context), "lead")
    rows, figures = _of(tables, "changes"), _of(tables, "changed_figures")
    if rows.empty and figures.empty:
        return lead
    return "\n".join([lead, _cases(rows, context), _figures(figures, context)])


def since_signed(tables: Tables, context: Context) -> str:
    """For the first page: what has moved, in short, and the way to all of it; nothing where no signed edition stands."""
    if not context.compared_with:
        return ""
    more = f"<p>{page.link('what_changed.html', 'Case by case, and figure by figure')}</p>"
    title = '<h2 id="since">Since the last signed edition</h2>'
    return f"{title}{page.paragraph(_lead(tables, context))}{more}"


def _of(tables: Tables, name: str) -> pd.DataFrame:
    return tables.get(name, pd.DataFrame())


def _lead(tables: Tables, context: Context) -> str:
    period, _, number = next(iter(context.compared_with)).partition("/")
    signed = f"number {number} of {words.period(period)}"
    rows, figures = _of(tables, "changes"), _of(tables, "changed_figures")
    if rows.empty and figures.empty:
        return f"The last signed edition is {signed}. {NOTHING_MOVED}"
    told = "no case would be told otherwise today"
    if len(rows):
        told = joined(
            _linked(rows, TOLD_OTHERWISE, context), " would be told otherwise of the days it covers"
        )
    whole = figures[figures["category"] == ANY_COMPLICATION] if len(figures) else figures
    moved = len(whole.drop_duplicates(FIGURE)) if len(whole) else 0
    return joined(
        f"The last signed edition is {signed}. By what is known now, ", told, ". From there to this edition "
        f"{words.several(moved, 'figure', 'figures')} of any complication moved, by this and by time.",
    )  # fmt: skip


def _linked(rows: pd.DataFrame, title: str, context: Context) -> str:
    """How many cases the changes are of, leading to them with what is told otherwise; some may be cases no longer."""
    named = words.names(context)
    what: dict[str, list[str]] = {}
    for case_id, field in zip(rows["case_id"].astype(str), rows["field"], strict=True):
        what.setdefault(case_id, []).append(_field(field, named))
    listed = [(case_id, words.listed(list(dict.fromkeys(told)))) for case_id, told in sorted(what.items())]
    told = words.several(len(listed), "case", "cases")
    return context.lists.rows(told, "What changed", title, ("Case", "What is told otherwise"), listed)


# ---------------------------------------------------------------- cases


def _cases(rows: pd.DataFrame, context: Context) -> str:
    title = '<h2 id="cases">What is known otherwise of the days already signed</h2>'
    if rows.empty:
        return title + page.paragraph("Nothing.", "soft")
    named = words.names(context)
    printed = pd.DataFrame(
        {
            "case": rows["case_id"].astype(str),
            "what": [_field(field, named) for field in rows["field"]],
            "before": [_value(f, v, named) for f, v in zip(rows["field"], rows["before"], strict=True)],
            "after": [_value(f, v, named) for f, v in zip(rows["field"], rows["after"], strict=True)],
            "because": [BECAUSE[str(cause)] for cause in rows["because"]],
            "where": [_place(file, line) for file, line in zip(rows["file"], rows["line"], strict=True)],
        },
        dtype="object",
    )
    columns = {
        "case": Show("Case"), "what": Show("What"), "before": Show("As signed"), "after": Show("As known now"),
        "because": Show("Because of"), "where": Show("File and line"),
    }  # fmt: skip
    said = page.paragraph(
        "Each line is one thing about one case up to the cut of the signed edition. Where several causes touch it, "
        "the nearest is named."
    )
    table = page.table(printed, "changes", TOLD_OTHERWISE, columns, csv=CHANGES, stub="case")
    return title + said + _by_cause(rows, context) + table


def _by_cause(rows: pd.DataFrame, context: Context) -> str:
    """How many cases each cause touches, in the order of causes."""
    by_cause = dict(list(rows.groupby("because")))
    known = [cause for cause in CAUSES if cause in by_cause]
    return page.bullets(
        [
            joined(
                f"{CAUSES[cause]}: ", _linked(by_cause[cause], f"{TOLD_OTHERWISE}: {CAUSES[cause]}", context)
            )
            for cause in known
        ]
    )


def _field(field: object, named: words.Names) -> str:
    category, _, level = str(field).partition(".")
    if level:
        return named.outcome(category, level)
    return FIELDS.get(category, words.plain(category))


def _value(field: object, value: object, named: words.Names) -> str:
    if words.is_missing(value) or value == "":
        return words.NOTHING
    if field in OF_OPERATIONS:
        return named.operation(value)
    if field in OF_DAYS:
        return f"day {value}"
    status, _, day = str(value).partition(", ")
    return words.plain(status) + (f", {day}" if day else "")


def _place(file: object, line: object) -> str:
    if words.is_missing(file):
        return words.NOTHING
    return f"{file}, line {int(str(line).partition('.')[0])}" if not words.is_missing(line) else str(file)


# ---------------------------------------------------------------- figures


def _figures(figures: pd.DataFrame, context: Context) -> str:
    """Figures of any complication; those of single categories are linked."""
    title = '<h2 id="figures">Figures that moved, and what moved them</h2>'
    own = figures[figures["category"] == ANY_COMPLICATION] if len(figures) else figures
    link = f"<p>Figures of single categories: {page.link(FIGURES, 'tables/changed_figures.csv')}</p>"
    if own.empty:
        return title + page.paragraph("No figure of any complication moved.", "soft") + link
    named = words.names(context)
    whole = _with_causes(own)
    printed = pd.DataFrame(
        {
            "operation": [named.operation(key) for key in whole["procedure"]],
            "window": [words.window(days) for days in whole["window_days"]],
            "figure": [COUNTED[str(figure)] for figure in whole["figure"]],
            "before": [words.count(number) for number in whole["before"]],
            "after": [_now(row, context) for row in whole.to_dict("records")],
            "causes": whole["causes"],
        },
        dtype="object",
    ).iloc[_order(whole, context)]
    columns = {
        "window": Show("Window", one_line=True), "figure": Show("Counted"), "before": Show("As signed", True),
        "after": Show("Now", True), "causes": Show("Because of"),
    }  # fmt: skip
    caption = "Any complication: cases closed, cases with it, cases lost; causes add up to the difference"
    return title + page.table(
        printed.reset_index(drop=True), "figures", caption, columns, csv=FIGURES, grouped_by="operation"
    )  # fmt: skip


def _now(row: Mapping[Hashable, Any], context: Context) -> str:
    """A figure of this edition, leading to its cases; what was signed then leads to its own in that edition."""
    level = words.names(context).main_level(ANY_COMPLICATION)
    whose, days = Whose(procedure=str(row["procedure"])), int(row["window_days"])
    return context.lists.number(
        words.count(row["after"]), str(row["figure"]), whose, ANY_COMPLICATION, level, days
    )


def _with_causes(figures: pd.DataFrame) -> pd.DataFrame:
    """A row a figure, with its causes in words, in the order of `BECAUSE`."""
    order = {cause: number for number, cause in enumerate(BECAUSE)}
    ordered = figures.iloc[figures["because"].map(order).argsort(kind="stable")]
    told = [f"{_change(row)} {BECAUSE[str(row['because'])]}" for row in ordered.to_dict("records")]
    return ordered.assign(causes=told).groupby(FIGURE, sort=False)["causes"].agg("; ".join).reset_index()


def _change(row: Mapping[Hashable, Any]) -> str:
    change, came, went = (int(row[name]) for name in ("change", "came", "went"))
    if change == 0:
        return f"{came} in and {went} out:"
    return f"{change:+d}".replace("-", "−") + ":"


def _order(whole: pd.DataFrame, context: Context) -> list[int]:
    places = {
        key: at
        for at, key in enumerate(rates_page.ordered_operations(list(whole["procedure"].unique()), context))
    }
    figure = {name: at for at, name in enumerate(COUNTED)}
    keys = zip(
        whole["procedure"].map(places),
        whole["window_days"],
        whole["figure"].map(figure),
        range(len(whole)),
        strict=True,
    )
    return [place[-1] for place in sorted(keys)]
