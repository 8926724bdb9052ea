"""How good the exports were, and what became of every row."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.findings import CATALOGUE
from pipeline.known import BECAUSE, is_new
from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.markup import joined
from pipeline.publish.page import Show
from pipeline.publish.rows_behind import FATES, by_table, in_print, linked_findings, linked_rows, linked_total
from pipeline.publish.scorecard import scorecard, title_of

if TYPE_CHECKING:
    import pandas as pd

VERDICT_RULE = (
    "Not fit for comparison: a required table is missing, its newest export is not used, or more of its newest rows "
    "than tolerated are held back. Fit with reservations: anything else named under “Why”. The verdict speaks of the "
    "records, not of the care."
)


def quality_body(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """The page between its dates and its cautions."""
    return "\n".join(
        [
            page.paragraph(
                "No row is lost without a reason: every row read is accounted for below, and every row held back is "
                "listed with its file, line and fault.", "lead",
            ),
            _sites(context),
            _rows(tables, context),
            _refused(tables, context),
            *scorecard(tables, context),
            _findings(context),
        ]
    )  # fmt: skip


def _sites(context: Context) -> str:
    import pandas as pd

    told = [
        {
            "site": site.name or site.site,
            "verdict": words.sentence(words.plain(site.verdict)),
            "why": words.sentence("; ".join(site.reasons)) + "." if site.reasons else words.NOTHING,
            "until": words.day(site.data_until),
            "late": "late" if site.late else "in time",
            "never": words.listed(site.incomplete) or words.NOTHING,
            "aside": str(len(site.set_aside)) if site.set_aside else words.NOTHING,
        }
        for site in context.sites
    ]
    columns = {
        "site": Show("Site"), "verdict": Show("Verdict"), "why": Show("Why"), "until": Show("Records reach to"),
        "late": Show("Newest export"), "never": Show("Never sent"), "aside": Show("Exports set aside", True),
    }  # fmt: skip
    shown = page.table(
        pd.DataFrame(told, dtype="object"),
        "sites",
        "What each site’s figures are fit for",
        columns,
        stub="site",
    )
    return '<h2 id="sites">Sites</h2>' + shown + page.paragraph(VERDICT_RULE, "soft")


def _rows(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    import pandas as pd

    ledger = tables.get("ledger")
    title = '<h2 id="rows">What became of every row</h2>'
    if ledger is None or ledger.empty:
        return title + page.paragraph("No file was read.", "note")
    named = words.names(context)
    kept, lines = ledger.assign(table=ledger["table"].fillna("")), by_table(ledger)
    sums = kept.groupby(["site", "table"], sort=True)[list(FATES)].sum().reset_index()
    told = [
        {
            "site": named.site(row["site"]),
            "table": words.plain(row["table"]) if row["table"] else "claimed by nobody",
            **{
                name: linked_rows(row[name], lines, row["site"], row["table"], name, context)
                for name in FATES
            },
        }
        for row in sums.to_dict("records")
    ]
    printed = pd.DataFrame(told, dtype="object")
    columns = {"table": Show("Table"), **{name: Show(label, True) for name, label in FATES.items()}}
    caption = "Rows by site and table; each row read is in exactly one of the columns after “Read”"
    return title + page.table(
        printed, "rows", caption, columns, csv="../ledger.csv", stub="table", grouped_by="site"
    )


def _refused(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """Files that were set aside whole, with the reason."""
    ledger = tables.get("ledger")
    if ledger is None:
        return ""
    aside = ledger[ledger["reason"].fillna("") != ""]
    if aside.empty:
        return ""
    printed = aside[["source_file", "reason"]].astype("object").assign(
        rows=in_print([
            linked_total(rows, aside[aside["source_file"] == file], f"Set aside: {file}", "rows_read", context)
            for rows, file in zip(aside["rows_read"], aside["source_file"], strict=True)
        ], aside),
        reason=aside["reason"].map(title_of),
    )  # fmt: skip
    columns = {"source_file": Show("File"), "rows": Show("Rows", True), "reason": Show("Why")}
    return page.table(printed, "aside", "Files that were set aside whole", columns, csv="../ledger.csv")


def _findings(context: Context) -> str:
    """How often each rule spoke, how much of it is new, what it means and what to do."""
    import pandas as pd

    title = '<h2 id="findings">What the checks said</h2>'
    found = context.found[context.found["action"] != "repair"].assign(new=lambda rows: is_new(rows))
    if found.empty:
        return title + page.paragraph("Nothing.", "soft")
    counts = found.groupby(["rule", "action"]).agg(times=("new", "size"), new=("new", "sum")).reset_index()
    ordered = counts.sort_values(
        ["times", "rule", "action"], ascending=[False, True, True], ignore_index=True
    )
    printed = pd.DataFrame(
        {
            "rule": ordered["rule"].map(title_of),
            "happened": ordered["action"].map(lambda word: words.sentence(words.plain(word))),
            **{name: _times(ordered, found, name, context) for name in ("times", "new")},
            "remedy": [CATALOGUE[rule].remedy if rule in CATALOGUE else "" for rule in ordered["rule"]],
        },
        dtype="object",
    )
    columns = {
        "rule": Show("What"), "happened": Show("What was done"), "times": Show("Times", True),
        "new": Show("New", True), "remedy": Show("What to do"),
    }  # fmt: skip
    said = page.paragraph(
        joined(_new_and_known(found, context), " Those known are counted everywhere like the others."), "soft"
    )
    shown = page.table(printed, "findings", "Findings by kind", columns, csv="../quarantine.csv")
    return title + said + shown + _known(found, context)


def _times(ordered: pd.DataFrame, found: pd.DataFrame, name: str, context: Context) -> list[str]:
    """How often each rule spoke, or spoke of something new, leading to the findings."""
    chosen = found if name == "times" else found[found["new"]]
    by_kind = dict(list(chosen.groupby(["rule", "action"])))
    return [
        linked_findings(
            words.count(many), by_kind.get((rule, action), chosen[:0]), f"{title_of(rule)}{told}", context
        )
        for rule, action, many, told in zip(
            ordered["rule"],
            ordered["action"],
            ordered[name],
            (f", {words.plain(action)}{'' if name == 'times' else ', new'}" for action in ordered["action"]),
            strict=True,
        )
    ]


def _new_and_known(found: pd.DataFrame, context: Context) -> str:
    new = found[found["new"]]
    known = len(found) - len(new)
    every = linked_findings(words.several(len(found), "finding", "findings"), found, "Every finding", context)
    return joined(every, ": ", linked_findings(words.count(len(new)), new, "Every new finding", context),
                  f" new, {words.count(known)} known.")  # fmt: skip


def _known(found: pd.DataFrame, context: Context) -> str:
    """What the department has marked as known, with the reason it gave."""
    known = found[~found["new"]]
    if known.empty:
        return ""
    counts = known.groupby(["site", "rule", BECAUSE]).size().rename("times").reset_index()
    named = words.names(context)
    each = dict(list(known.groupby(["site", "rule", BECAUSE])))
    printed = counts.astype("object").assign(
        site=counts["site"].map(named.site),
        rule=counts["rule"].map(title_of),
        times=in_print([
            linked_findings(words.count(row["times"]), each[row["site"], row["rule"], row[BECAUSE]],
                            f"{named.site(row['site'])}: {title_of(row['rule'])}, known because: {row[BECAUSE]}", context)
            for row in counts.to_dict("records")
        ], counts),
    )  # fmt: skip
    columns = {"rule": Show("What"), "times": Show("Times", True), BECAUSE: Show("Why it is accepted")}
    caption = "Findings the department knows and accepts for a time"
    return page.table(
        printed, "known", caption, columns, csv="../quarantine.csv", stub="rule", grouped_by="site"
    )
