"""Counts of rows and of findings in print, each leading to the rows, to the lines of the ledger, or to the findings."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.publish import words
from pipeline.publish.context import Context
from pipeline.publish.numbers.register import MOST_IN_OWN_FILE, MOST_ROWS

if TYPE_CHECKING:
    import pandas as pd

    #: (site, table) → lines of the ledger about their files.
    ByTable = Mapping[tuple[str, str], pd.DataFrame]

#: Columns of the ledger that count rows, and what they are called in print.
FATES = {
    "rows_read": "Read",
    "accepted": "Accepted",
    "quarantined": "Held back",
    "superseded": "Replaced by a newer version",
    "duplicate": "Sent before",
    "withdrawn": "Taken back",
    "non_data": "Not records",
    "not_selected": "Not selected",
    "refused": "File set aside",
    "removed": "Removed on request",
}
#: Rows read that are no records of the department's.
NO_RECORDS = ("non_data", "not_selected", "removed")
#: Those whose rows are known one by one; of the others the ledger says how many there are in each file.
ROW_BY_ROW = ("quarantined", "superseded", "duplicate", "withdrawn")
#: Rules of the scorecard that count rows of a place of the ledger.
PLACE_OF = {"quarantined_share": "quarantined", "record_duplicate": "duplicate"}
#: What stands in a column of findings where there is nothing to say.
NOTHING = ("<NA>", "nan", "None")
#: Of findings about a table or an export as a whole.
NO_FILE = "no file"
ROWS, FINDINGS = "Rows received", "Findings"
PLACE = {
    "source_file": "File",
    "source_line": "Line",
    "table": "Table",
    "record_id": "Record",
    "column": "Column",
}


def in_print(cells: Sequence[str], rows: pd.DataFrame) -> pd.Series:
    """Cells as a column of plain objects beside rows, so that mark-up among them stays mark-up."""
    import pandas as pd

    return pd.Series(list(cells), index=rows.index, dtype="object")


def by_table(ledger: pd.DataFrame) -> ByTable:
    """The ledger as published, by site and table; files that no table claims have an empty one."""
    lines = ledger.assign(table=ledger["table"].fillna(""))
    return {(str(site), str(table)): own for (site, table), own in lines.groupby(["site", "table"])}  # type: ignore[misc]


def linked_rows(number: object, ledger: ByTable, site: str, table: str, place: str, context: Context) -> str:
    """How many rows of a site and table ended in a place, leading to them or to the files they are of.

    Args:
        ledger: From `by_table`.
        place: A column of `FATES`.
    """
    called = f"{words.names(context).site(site)}, {words.plain(table) if table else 'claimed by nobody'}"
    if place not in ROW_BY_ROW:
        return linked_total(number, ledger.get((site, table)), called, place, context)
    received = context.lists.facts.received if context.lists.facts else None
    if received is None or not number:
        return words.count(number)
    from pipeline.publish.numbers.received import HEADS

    rows = received.ended(site, table, place)
    return context.lists.rows(
        words.count(number), ROWS, f"{called}: {words.within_sentence(FATES[place])}", HEADS, rows
    )


def linked_total(
    number: object, ledger: pd.DataFrame | None, title: str, place: str, context: Context
) -> str:
    """The same as a sum over files.

    Args:
        ledger: Its lines about them; where there are none, the number leads nowhere.
    """
    import pandas as pd

    if ledger is None:
        return words.count(number)

    def shown() -> pd.DataFrame:
        cells = {name: ledger[name].to_numpy() for name in FATES}
        records = cells["rows_read"] - sum(cells[name] for name in NO_RECORDS)
        labelled = {FATES[name]: column for name, column in cells.items()}
        return pd.DataFrame({"File": ledger["source_file"].to_numpy(), **labelled, "Records": records})

    column = FATES.get(place, "Records")
    return context.lists.total(words.count(number), ROWS, f"{title}, file by file", shown, column)


def linked_failing(
    row: Mapping[Hashable, Any], ledger: ByTable, found: pd.DataFrame, context: Context
) -> str:
    """How many rows fail a check of the scorecard, leading to the rows, the findings or the files.

    Args:
        row: Of `quality`.
        ledger: As in `linked_rows`.
        found: Findings of the rule in the site's table, of any column.
    """
    site, table, rule, number = row["site"], row["table"], row["rule"], row["failing"]
    if rule in PLACE_OF:
        return linked_rows(number, ledger, site, table, PLACE_OF[rule], context)
    found = found[found["column"] == row["column"]] if row["column"] else found
    where = f"{words.names(context).site(site)}, {words.plain(table)}, {words.plain(row['column'] or 'whole row')}"
    title = f"{where}: {row['title']}"
    of_table = ledger.get((site, table))
    if of_table is None:
        return linked_findings(words.count(number), found, title, context)
    refused = of_table[of_table["reason"].fillna("") == rule]
    if len(refused):
        return linked_total(number, refused, title, "refused", context)
    if found["source_line"].notna().any() or found["record_id"].fillna("").ne("").any():
        return linked_findings(words.count(number), found, title, context)
    files = of_table[of_table["source_file"].isin(found["source_file"])]
    return linked_total(number, files, title, "rows_read", context)


def linked_findings(told: str, found: pd.DataFrame, title: str, context: Context) -> str:
    """How many findings there are, as printed, leading to them."""
    many = len(found)
    found = found[:MOST_ROWS] if many > MOST_IN_OWN_FILE else found
    columns = [["" if str(cell) in NOTHING else str(cell) for cell in found[name].tolist()] for name in PLACE]
    columns[0] = [file or NO_FILE for file in columns[0]]
    rows = list(zip(*columns, strict=True))
    return context.lists.rows(told, FINDINGS, title, tuple(PLACE.values()), rows, many)
