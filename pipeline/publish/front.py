"""The first page: what this edition is, what is new, what it says in short."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.catalogue import ANY_COMPLICATION
from pipeline.publish import changes_page, comparison_page, figures, page, rates_page, words
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.page import Show
from pipeline.publish.printed import rows_of
from pipeline.publish.running_part import summary
from pipeline.publish.to_review_page import questions_waiting

if TYPE_CHECKING:
    import pandas as pd

YEAR = 365
DONE = (
    "operations",
    "cases",
    "complications_happened",
    "complications_learned",
    "awaiting",
    "decisions",
    "windows_closed",
)


#: One of them, and several, in a sentence.
SAID = {
    "operations": ("operation", "operations"),
    "cases": ("new case", "new cases"),
    "complications_happened": ("complication happened", "complications happened"),
    "complications_learned": (
        "complication of an earlier month became known",
        "complications of earlier months became known",
    ),
    "awaiting": ("possible complication awaits review", "possible complications await review"),
    "decisions": ("decision of reviewers", "decisions of reviewers"),
    "windows_closed": ("window of a case closed", "windows of cases closed"),
}


def front_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    return "\n".join(
        [
            _about(tables, context),
            _warnings(context),
            _activity(tables, context),
            _headline(tables, context),
            _at_a_glance(tables, context),
            changes_page.since_signed(tables, context),
            _files(),
        ]
    )


def _about(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    cases = rows_of(tables, "cases")
    since = context.settings.count_from
    first = f" from {words.day(since)}" if since else ""
    counted = words.several(cases, "case", "cases")
    if cases:
        counted = context.lists.found(counted, "every case", "Every case", lambda facts: facts.every())
    sites = words.several(len(context.sites), "site", "sites")
    every = f": every counted operation{first} up to {words.day(context.cut_on)}, at {sites}. A case is one operation on "
    return page.paragraph(
        joined("This edition counts ", counted, f"{every}one joint and side of one patient."), "lead"
    ) + _left_out(context)


def _left_out(context: Context) -> str:
    if not context.patients_removed:
        return ""
    rows = sum(request.rows for request in context.removals)
    return page.paragraph(
        f"On request the data of {words.several(context.patients_removed, 'patient', 'patients')} "
        f"({words.several(rows, 'row', 'rows')}) are not used."
    )


def _warnings(context: Context) -> str:
    if not context.warnings:
        return ""
    reason = context.signature.despite if context.signature else ""
    despite = page.paragraph(f"It was signed all the same, because: {reason}") if reason else ""
    return f'<div class="note"><p><strong>Before you use it</strong></p>{page.bullets(context.warnings)}{despite}</div>'


def _headline(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    said = comparison_page.headline(tables, context)
    if not said:
        return ""
    lines = "".join(page.paragraph(line) for line in said)
    more = f"<p>{page.link('comparison.html', 'The whole comparison')}</p>"
    return (
        f'<h2 id="stated">The comparison stated before the run</h2><div class="finding">{lines}{more}</div>'
    )


def _activity(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    title = f'<h2 id="news">New in {page.text(words.period(context.period))}</h2>'
    done = tables.get("activity")
    if done is None or done.empty:
        return title + page.paragraph(
            "Nothing was recorded for this period. Ask the sites whether that is so.", "note"
        )
    return title + _told(done, tables, context) + _quiet(done, context) + page.table(
        _activity_in_print(done, context), "activity", "What was done and learned in the period, all sites together",
        {
            "operation": Show("Operation"),
            "operations": Show("Operations", True), "cases": Show("New cases", True),
            "complications_happened": Show("Complications that happened", True),
            "complications_learned": Show("Complications of earlier months that became known", True),
            "awaiting": Show("Awaiting review", True), "decisions": Show("Decisions made", True),
            "windows_closed": Show("Windows that closed", True),
        },
        csv="../tables/activity.csv", stub="operation",
    )  # fmt: skip


def _told(done: pd.DataFrame, tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The period in sentences: done, happened, learned, decided, closed; what waits; whether a running chart asks."""
    by_site = done[done["site"] != "all"] if (done["site"] != "all").any() else done
    told = {
        name: context.lists.news(
            words.several(int(by_site[name].sum()), *SAID[name]), name, "", words.names(context)
        )
        for name in DONE
    }
    said = [
        joined(told["operations"], "; ", told["cases"], "."),
        joined(told["complications_happened"], "."),
        joined(told["complications_learned"], "."),
        joined(told["awaiting"], "."),
        joined(told["decisions"], "; ", told["windows_closed"], "."),
    ]
    if rows_of(tables, "review"):
        said.append(joined(questions_waiting(tables, context), " for a reviewer."))
    links = [page.link("to_review.html", "To review"), page.link("over_time.html", "Over time")]
    more = f'<p class="soft">More: {words.listed(links)}.</p>'
    return page.bullets([*said, *summary(tables)]) + more


def _quiet(done: pd.DataFrame, context: Context) -> str:
    """Names the sites that sent no operation of the period: an empty month is said, not left to be noticed."""
    busy = set(done.loc[done["operations"] > 0, "site"])
    quiet = [site.name or site.site for site in context.sites if site.site not in busy]
    if not quiet:
        return ""
    return page.paragraph(
        f"No operation of {words.period(context.period)} came from {words.listed(quiet)}. Ask the site whether that is so "
        "before you read it as nothing done.", "note",
    )  # fmt: skip


def _activity_in_print(done: pd.DataFrame, context: Context) -> pd.DataFrame:
    """Sums over sites; a row for all operations first where the table has one."""
    import pandas as pd

    by_site = done[done["site"] != "all"] if (done["site"] != "all").any() else done
    sums = by_site.groupby("procedure", sort=False)[list(DONE)].sum()
    keys = rates_page.ordered_operations([str(key) for key in sums.index], context)
    named = words.names(context)
    told = [
        {
            "operation": named.operation(key),
            **{name: context.lists.news(words.count(sums.at[key, name]), name, key, named) for name in DONE},
        }
        for key in keys
    ]
    return pd.DataFrame(told, dtype="object")


def glance_window(context: Context) -> int:
    """The window of the first page: the stated comparison's, else the longest up to a year, else the shortest."""
    if context.settings.primary:
        return context.settings.primary.window
    days = sorted(window.days for window in context.settings.windows)
    return max((day for day in days if day <= YEAR), default=days[0] if days else YEAR)


def _at_a_glance(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    rates = tables.get("rates")
    title = '<h2 id="short">In short</h2>'
    if rates is None or rates.empty:
        return title + page.paragraph("No case has a closed window yet, so there are no rates.", "note")
    window = glance_window(context)
    chosen = rates[
        (rates["stratum"] == "none")
        & (rates["category"] == ANY_COMPLICATION)
        & (rates["window_days"] == window)
    ]
    if chosen.empty:
        return title + page.paragraph(f"No case can be judged {words.window(window)} yet.", "soft")
    ordered = rates_page.in_order(chosen, context)
    printed = figures.in_print(ordered, context)
    printed.insert(0, "operation", [words.names(context).operation(key) for key in ordered["procedure"]])
    columns = {"operation": Show("Operation"), **figures.RATE_COLUMNS}
    caption = f"Any complication {words.window(window)} of the operation"
    more = f"<p>{page.link('rates.html', 'Every category and window')}</p>"
    return title + page.table(printed, "short", caption, columns, csv=rates_page.CSV, stub="operation") + more


def _files() -> str:
    named = {
        "../workbook.xlsx": "the tables for a spreadsheet, each with a note on its columns",
        "../handout.pdf": "the handout for the conference, to print",
        "../manifest.json": "what this edition was made from, and what this version does not make yet",
        "../ledger.csv": "what became of every row received",
        "../review.csv": "every question for a reviewer",
        "../unattributed.csv": "records that belong to no case",
    }
    items = "".join(
        f"<li>{page.link(file, file.removeprefix('../'))}: {page.text(told)}</li>"
        for file, told in named.items()
    )
    items += "<li>charts/: every chart of these pages as a picture, for slides</li>"
    return f'<h2 id="files">Files beside this report</h2><ul>{items}</ul>'
