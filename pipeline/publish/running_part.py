"""Running charts on the page: those that ask for a check first, each with its numbers in words."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.publish import page, rates_page, words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.running import HOW_TO_READ, Running, running_chart, runnings
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.numbers import Whose

if TYPE_CHECKING:
    import pandas as pd

CSV = "../tables/monitoring.csv"
KEYS = ["procedure", "site", "category", "window_days"]
#: Drawn on the page; further charts are in the file. Those that ask for a check come first.
MOST_CHARTS = 120


def running_part(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The section of running charts."""
    title = '<h2 id="running">Running charts</h2>'
    whole, cases = tables.get("charts"), tables.get("monitoring")
    if whole is None or whole.empty or cases is None or cases.empty:
        return title + page.paragraph(
            "No chart: no operation has ten cases whose window has closed at a site whose days are known.",
            "note",
        )
    drawn = whole[whole["limit"].notna()]
    shown = _chosen(drawn)
    own = cases.merge(shown[[*KEYS, "_number"]], on=KEYS)
    seen = runnings(own, "_number")
    figures = {
        row["_number"]: _figure(row, seen[row["_number"]], context) for row in shown.to_dict("records")
    }
    asking = [figures[number] for number in shown.loc[shown["checks"] > 0, "_number"]]
    parts = [title, page.paragraph(HOW_TO_READ, "soft")]
    if asking:
        parts += [f"<h3>Ask for a check</h3>{drawing.gallery(asking)}"]
    quiet = shown[shown["checks"] == 0]
    parts += [_of_operation(key, quiet, figures, context) for key in _operations(quiet, context)]
    return "\n".join([*parts, _left_out(whole, drawn, shown, context), page.source(CSV)])


def summary(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """How many charts, how many ask for a check, and how many would without cause; nothing without charts."""
    whole = tables.get("charts")
    drawn = whole[whole["limit"].notna()] if whole is not None else None
    if drawn is None or drawn.empty:
        return []
    asking, number = int((drawn["checks"] > 0).sum()), len(drawn)
    of_all = f"of {words.several(number, 'running chart', 'running charts')}"
    found = (
        f"{words.count(asking)} {of_all} asked for a check at least once."
        if asking
        else f"None {of_all} asks for a check."
    )
    alarms = drawn["false_alarms_of_all"].dropna()
    chance = (
        f"By chance alone, all of them together ask for {_few(alarms.iloc[0])} checks a year."
        if len(alarms)
        else ""
    )
    return [f"{found} {chance} A check asks a question and proves nothing."]


def _few(number: float) -> str:
    return f"about {number:.1f}" if number >= 0.1 else "fewer than 0.1"


def _chosen(drawn: pd.DataFrame) -> pd.DataFrame:
    """Those shown on the page, numbered in the order of the table."""
    first = drawn.assign(_asks=drawn["checks"].fillna(0) > 0)
    kept = first.sort_values("_asks", ascending=False, kind="stable").head(MOST_CHARTS).sort_index()
    return kept.assign(_number=range(len(kept)))


def _operations(shown: pd.DataFrame, context: Context) -> list[str]:
    return rates_page.ordered_operations([str(key) for key in shown["procedure"].unique()], context)


def _of_operation(key: str, shown: pd.DataFrame, figures: Mapping[int, str], context: Context) -> str:
    """All charts of an operation, folded away; on paper they are open."""
    own = [figures[number] for number in shown.loc[shown["procedure"] == key, "_number"]]
    title = f"{words.names(context).operation(key)}: {words.several(len(own), 'chart', 'charts')}"
    return f"<details><summary>{page.text(title)}</summary>{drawing.gallery(own)}</details>"


def _figure(row: Mapping[Hashable, object], chart: Running, context: Context) -> str:
    named = words.names(context)
    outcome = f"{named.category(row['category'])} {words.window(row['window_days'])}"
    title = f"{outcome} after {named.operation(row['procedure'])}, {named.site(row['site'])}"
    said = _told(row, chart)
    drawn = running_chart(f"run-{row['_number']}", title, chart, said)
    return drawing.figure(
        drawn,
        f"{named.operation(row['procedure'])}, {named.site(row['site'])}: {outcome}",
        _told(row, chart, context),
    )


def _told(row: Mapping[Hashable, object], chart: Running, context: Context | None = None) -> str:
    """Counts, what the chart did, and how often such a chart asks without cause.

    Args:
        context: Where numbers are to lead to their cases.
    """
    many, events = int(str(row["cases"])), int(str(row["events"]))
    asked = dict.fromkeys(
        period for period, asks in zip(chart.period, chart.asks.tolist(), strict=True) if asks
    )
    when = words.listed([words.period(period) for period in asked])
    did = f"Asks for a check ({when})." if asked else "Did not reach its limit."
    often = _how_often(row)
    young = int(chart.sequence[-1]) - chart.mature
    still = (
        f" {words.several(young, 'case is', 'cases are')} of periods that will still grow." if young else ""
    )
    had, of = words.count(events) if events else "None", words.several(many, "case", "cases")
    if context is not None:
        category = str(row["category"])
        outcome = (category, words.names(context).main_level(category), int(str(row["window_days"])))
        whose = Whose(procedure=str(row["procedure"]), site=str(row["site"]), laid=True)
        of = context.lists.number(of, "cases", whose, *outcome)
        had = context.lists.number(had, "events", whose, *outcome) if events else had
    return joined(had, " of ", of, f" with it, {words.expected(row['expected'])}. {did}{often}{still}")


def _how_often(row: Mapping[Hashable, object]) -> str:
    """After how many cases such a chart asks for a check: by chance alone, and once the odds have doubled."""
    length, doubled = (row.get(name) for name in ("run_length", "run_length_if_doubled"))
    if words.is_missing(length):
        return ""
    said = f" By chance alone it asks about once in {words.count(round(float(str(length))))} cases"
    if words.is_missing(doubled):
        return f"{said}."
    return f"{said}, once the odds have doubled after about {words.count(round(float(str(doubled))))}."


def _left_out(whole: pd.DataFrame, drawn: pd.DataFrame, shown: pd.DataFrame, context: Context) -> str:
    """Charts that could not be drawn, with the reason, and how many are in the file alone."""
    said = []
    if len(drawn) > len(shown):
        said.append(
            f"{words.several(len(drawn) - len(shown), 'more chart is', 'more charts are')} in the file."
        )
    named = words.names(context)
    without = whole[whole["limit"].isna()]
    for note, rows in without.groupby(without["note"].fillna("no chart"), sort=True):
        where = list(
            dict.fromkeys(
                f"{named.operation(key)} at {named.site(site)}"
                for key, site in zip(rows["procedure"], rows["site"], strict=True)
            )
        )
        listed = words.listed(where) if len(where) <= 12 else words.several(len(where), "place", "places")
        said.append(f"{words.sentence(words.plain(note))}: {listed}.")
    return "".join(page.paragraph(line, "soft") for line in said)
