"""The one page of an outward edition."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.front import glance_window
from pipeline.publish.page import Show
from pipeline.publish.rates_page import in_order

if TYPE_CHECKING:
    import pandas as pd

HIDDEN = "hidden"
RATES = {
    "cases": Show("Cases", number=True),
    "events": Show("With it", number=True),
    "rate": Show("Rate and interval", one_line=True),
    "lost": Show("Lost", number=True),
    "worst": Show("If all lost had it", number=True),
    "of": Show("Counted for", one_line=True),
}
FLOW = {
    "step": Show("Step"),
    "added": Show("Added", number=True),
    "removed": Show("Taken out", number=True),
    "after": Show("Left", number=True),
}


def outward_page(tables: Mapping[str, pd.DataFrame], context: Context, name: str) -> str:
    """A whole page, complete in one file.

    Args:
        tables: Those of the outward edition, by file.
        name: Of the edition.
    """
    title = f"Complication audit, {words.period(context.period)}, outward edition"
    few = context.settings.smallest_cell
    rates = tables["rates.csv"]
    body = [
        f'<p class="draft">{page.text(words.state(context))}</p><h1>{page.text(title)}</h1>',
        page.paragraph(
            f"How often operations of {words.several(len(context.sites), 'hospital', 'hospitals')} were followed by a "
            "complication, for readers outside the department. It holds counts and rates, and nothing about a single patient.",
            "lead",
        ),
        _hidden(rates, few),
        _comparison(tables["comparison.csv"], context),
        _operations(rates, context, name),
        _hospitals(rates, context, name),
        _flow(tables["flow.csv"], context),
        _quality(tables["quality.csv"], context),
        f'<h2 id="care">Read with care</h2>{page.bullets(words.CAUTIONS)}',
    ]
    return page.plain_page(title, "\n".join(body))


def _hidden(rates: pd.DataFrame, few: int) -> str:
    counted = rates[rates["cases"].notna() | rates["hidden"].notna()]
    gaps, repeated = int(counted["hidden"].notna().sum()), int(counted["figures_of"].nunique() > 1)
    said = [
        f"Counts of 1 to {few - 1} patients are hidden: patients with the complication, without it, or lost from view. "
        "So are shares that rest on them, and further figures from which they could be worked out by adding and subtracting. "
        "Which of these reasons holds for a gap is not told, since that would say something of the number.",
        f"Nought is shown. A patient operated on twice counts once in deciding what is hidden. {words.count(gaps)} of "
        f"{words.count(len(counted))} rows of rates have a gap.",
    ]
    if repeated:
        said.append(
            "Complications of which any row changed by only a few patients since the last outward edition, or none did, are "
            "repeated as they stood then; "
            "“Counted for” names that edition."
        )
    return f'<h2 id="hidden">What is hidden, and why</h2>{page.bullets(said)}'


def _comparison(rows: pd.DataFrame, context: Context) -> str:
    title = '<h2 id="stated">The comparison stated before the run</h2>'
    if rows.empty:
        return title + page.paragraph("None that can be shown.", "soft")
    row = rows[rows["analysis"] == "all_cases"].iloc[0]
    named = words.names(context)
    a, b = (named.operation(str(row[arm])) for arm in ("arm_a", "arm_b"))
    of = f"{named.category(str(row['category']))} {words.window(int(row['window_days']))} of the operation"
    if words.is_missing(row["events_a"]):
        return title + page.paragraph(f"{of}: {a} against {b}: {HIDDEN}.", "note")
    counts = "; ".join(
        f"{arm}: {words.count(row[f'events_{at}'])} of {words.count(row[f'cases_{at}'])}"
        for arm, at in ((a, "a"), (b, "b"))
    )
    said = [
        f"{of}. {counts}.",
        *(str(row[column]) for column in ("verdict", "within_age") if not words.is_missing(row[column])),
    ]
    return title + f'<div class="finding">{"".join(page.paragraph(line) for line in said)}</div>'


def _operations(rates: pd.DataFrame, context: Context, name: str) -> str:
    window = glance_window(context)
    own = rates[
        (rates["stratum"] == "none")
        & (rates["category"] == ANY_COMPLICATION)
        & (rates["window_days"] == window)
    ]
    caption = f"Any complication {words.window(window)} of the operation, all hospitals"
    ordered = in_order(own, context)
    named = words.names(context)
    printed = _in_print(ordered, name)
    printed.insert(0, "operation", [named.operation(str(key)) for key in ordered["procedure"]])
    columns = {"operation": Show("Operation"), **RATES}
    title = '<h2 id="rates">By operation</h2>' + page.paragraph(
        f"Intervals of {words.intervals(context)}.", "soft"
    )
    return title + page.table(printed, "operations", caption, columns, csv="rates.csv", stub="operation")


def _hospitals(rates: pd.DataFrame, context: Context, name: str) -> str:
    own = rates[
        (rates["stratum"] == "site") & (rates["category"] == ANY_COMPLICATION) & (rates["procedure"] == "all")
    ]
    own = own.sort_values(["stratum_value", "window_days"])
    named = {site.site: site.name or site.site for site in context.sites}
    printed = _in_print(own, name)
    printed.insert(0, "window", [words.sentence(words.window(int(days))) for days in own["window_days"]])
    printed.insert(0, "hospital", [named.get(str(site), str(site)) for site in own["stratum_value"]])
    columns = {"window": Show("Window"), **RATES}
    caption = "Any complication after any operation, by hospital"
    title = '<h2 id="hospitals">By hospital</h2>' + page.paragraph(
        "Hospitals treat different patients; a difference between them is a question, not a finding.", "soft"
    )
    return title + page.table(
        printed, "hospitals-table", caption, columns, csv="rates.csv", stub="window", grouped_by="hospital"
    )


def _in_print(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    import pandas as pd

    told = [
        {
            "cases": _count(row.cases), "events": _count(row.events), "lost": _count(row.lost),
            "rate": _share(row.rate, f" ({words.percents(row.ci_low, row.ci_high)})"),
            "worst": _share(row.worst_case),
            "of": "this edition" if row.figures_of == name else words.period(str(row.figures_of).partition("/")[0]),
        }
        for row in rows.itertuples(index=False)
    ]  # fmt: skip
    return pd.DataFrame(told, columns=list(RATES), dtype="object")


def _share(share: object, interval: str = "") -> str:
    return HIDDEN if words.is_missing(share) else f"{words.percent(share)}{interval}"


def _count(number: object) -> str:
    return HIDDEN if words.is_missing(number) else words.count(number)


def _flow(flow: pd.DataFrame, context: Context) -> str:
    named = {site.site: site.name or site.site for site in context.sites}
    title = '<h2 id="flow">From rows to cases</h2>'
    told = flow.assign(
        hospital=[named.get(str(site), str(site)) for site in flow["site"]],
        step=[words.sentence(str(step)) for step in flow["step"]],
        **{name: [_moved(number) for number in flow[name]] for name in ("added", "removed", "after")},
    )
    return title + page.table(
        told[["hospital", *FLOW]].astype("object"), "flow-table", "Each hospital's way from rows received to cases", FLOW,
        csv="flow.csv", stub="step", grouped_by="hospital",
    )  # fmt: skip


def _moved(number: object) -> str:
    return HIDDEN if words.is_missing(number) else words.NOTHING if number == 0 else words.count(number)


def _quality(quality: pd.DataFrame, context: Context) -> str:
    named = {site.site: site.name or site.site for site in context.sites}
    by = quality.groupby("site", sort=True)[["checks", "with_tolerance", "outside"]].sum().reset_index()
    verdict = quality.drop_duplicates("site").set_index("site")["verdict"]
    told = by.assign(
        hospital=[named.get(str(site), str(site)) for site in by["site"]],
        verdict=[words.sentence(words.plain(verdict.get(site))) for site in by["site"]],
        **{
            name: [words.count(number) for number in by[name]]
            for name in ("checks", "with_tolerance", "outside")
        },
    )
    columns = {
        "hospital": Show("Hospital"), "checks": Show("Checks", True), "with_tolerance": Show("With a tolerance", True),
        "outside": Show("Outside it", True), "verdict": Show("The records are"),
    }  # fmt: skip
    title = '<h2 id="quality">How far the records can be relied on</h2>'
    return title + page.table(
        told[list(columns)].astype("object"),
        "quality-table",
        "Checks of each hospital's records",
        columns,
        csv="quality.csv",
        stub="hospital",
    )
