"""Published tables of rows and cases: what became of what was received, and the case list."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import OURS
from schemas.shorthand import (
    AUDIT,
    EXACT_LIMITS,
    KAHN,
    SETTINGS,
    always,
    count,
    days,
    limits,
    maybe,
    number,
    place,
    share,
    site,
)


def _cell() -> tuple[Column, ...]:
    """Where a finding or a repair was made."""
    return (
        maybe("site", "id", "Site: the name of its folder of exports."),
        *place(),
        maybe("table", "word", "Table the row belongs to; empty where it is not known."),
        maybe("record_id", "id", "Id of the record."),
        maybe("column", "word", "Column of the cell; empty where the whole row is meant."),
        always("rule", "word", "Code of the rule, explained in the list of findings."),
    )


_CELL_KEY = ("site", "source_file", "source_line", "table", "record_id", "column", "rule")

# Accounts of rows.

_FATES = (
    ("accepted", "Rows that went on."),
    ("quarantined", "Rows held back because of a finding."),
    ("superseded", "Rows that a newer version of the record replaced."),
    ("duplicate", "Rows equal to one received before."),
    ("withdrawn", "Rows the sender took back."),
    ("non_data", "Lines that are no records: preamble, totals, blank lines, repeated headers."),
    ("not_selected", "Rows the site's mapping leaves out."),
    ("refused", "Rows of a file that was set aside whole."),
    ("removed", "Rows left out on request."),
)

LEDGER = Table(
    "ledger",
    "One table in one received file or sheet, with what became of its rows; these add up to rows_read.",
    (
        site(),
        always("receipt", "date", "Day the export was received: the name of its folder."),
        always(
            "source_file", "text", "File as received, from the workspace; `#sheet` follows for a workbook."
        ),
        maybe("sheet", "text", "Sheet of a workbook."),
        maybe("table", "word", "Table the file holds; empty where nobody claimed it."),
        Column(
            "sha256",
            "text",
            "SHA-256 of the file's bytes.",
            True,
            source="FIPS 180-4",
            display="hash",
            nullable=False,
        ),
        count("rows_read", "Rows counted in the file before it was parsed.", "rows", AUDIT),
        *(count(name, text, "rows", AUDIT) for name, text in _FATES),
        maybe("reason", "text", "Why the file was set aside."),
    ),
    key=("site", "receipt", "source_file", "sheet", "table"),
)

QUARANTINE = Table(
    "quarantine",
    "One finding about a received row or file.",
    (
        *_cell(),
        maybe("value", "text", "The cell as received, identifiers masked."),
        always("message", "text", "What was found, what was expected and what to do."),
        always(
            "new", "yes_no", "No where the department has marked it as known; it is counted all the same."
        ),
    ),
    key=_CELL_KEY,
)

REPAIRS = Table(
    "repairs",
    "One cell that was read in another way than it was written.",
    (
        *_cell(),
        maybe("before", "text", "The cell as received, identifiers masked."),
        maybe("after", "text", "The cell as used."),
    ),
    key=_CELL_KEY,
)

UNATTRIBUTED = Table(
    "unattributed",
    "One accepted record that belongs to no case.",
    (
        site(),
        always("table", "word", "Table of the record."),
        always("record_id", "id", "Id of the record."),
        always(
            "why",
            "word",
            "Before the operation, other side, a joint not watched, no operation known, or done elsewhere.",
            OURS,
            ("before", "other_side", "unwatched", "no_operation", "elsewhere"),
        ),
        *place(),
    ),
    key=("site", "table", "record_id"),
)

QUALITY = Table(
    "quality",
    "One rule over one column of a site's table: how many rows fail it.",
    (
        site(),
        always("table", "word", "Table that was checked."),
        maybe("column", "word", "Column that was checked; empty where the whole row was."),
        always(
            "dimension",
            "word",
            "Kind of quality the rule speaks of.",
            KAHN,
            ("conformance", "completeness", "plausibility"),
        ),
        always(
            "rule",
            "word",
            "Code of the rule, explained in the list of findings, or a measure of the scorecard.",
        ),
        count("rows", "Rows the rule was applied to.", "rows", AUDIT),
        count("failing", "Rows that fail the rule.", "rows", AUDIT),
        share("share", "Failing rows among the rows."),
        share("tolerance", "Share up to which it is tolerated; empty where none is set.", SETTINGS),
        maybe("verdict", "word", "Whether the share is within the tolerance, or that none is set."),
    ),
    key=("site", "table", "column", "dimension", "rule"),
)

_TREND_KEY = ("site", "table", "column", "rule", "receipt")


def _receipt() -> Column:
    return always("receipt", "date", "Day the export was received: the name of its folder.")


QUALITY_TREND = Table(
    "quality_trend",
    "One rule over one column in one receipt of a site, against what its earlier receipts showed.",
    (
        site(),
        always("table", "word", "Table that was checked."),
        maybe("column", "word", "Column that was checked; empty where the whole row was."),
        always("rule", "word", "Code of the rule, or a measure of the scorecard."),
        _receipt(),
        count("rows", "Rows of this receipt the rule was applied to.", "rows", AUDIT),
        count("failing", "Rows of this receipt that fail the rule.", "rows", AUDIT),
        share("share", "Failing rows among the rows."),
        share(
            "expected",
            "The same share over the earlier receipts; over the last one where a site sends everything.",
        ),
        *limits("limit_low", "limit_high", "the share chance allows", EXACT_LIMITS),
        always("outside", "yes_no", "Whether the share lies outside these limits.", EXACT_LIMITS),
    ),
    key=_TREND_KEY,
)

QUALITY_VOLUME = Table(
    "quality_volume",
    "How many rows of a table one receipt brought, against the eight before it.",
    (
        site(),
        always("table", "word", "Table that was sent."),
        _receipt(),
        count("rows", "Rows, accepted and held back.", "rows", AUDIT),
        number(
            "median",
            "Median of the rows of up to eight receipts before; empty for the first.",
            AUDIT,
            "rows",
            0,
        ),
        number("ratio", "Rows over that median.", AUDIT, "ratio", 0),
        always(
            "used", "yes_no", "Whether the export is used; no: it was set aside and enters no later median."
        ),
    ),
    key=("site", "table", "receipt"),
)

QUALITY_LAG = Table(
    "quality_lag",
    "How long after the day it speaks of a row was written down, or else received.",
    (
        site(),
        always("table", "word", "Table of the rows."),
        _receipt(),
        count("rows", "Rows whose lag is known.", "rows", AUDIT),
        days("median_days", "Half of the rows were there within so many days."),
        days("days_90", "Nine in ten were."),
        count("late", "Rows that came more than 150 days after.", "rows", AUDIT),
        days("longest_days", "All were; at most 3650 are told."),
    ),
    key=("site", "table", "receipt"),
)

FOR_THE_SENDER = Table(
    "for_the_sender",
    "One fault for the hospital to mend at the source; neither values nor ids, so that it may be mailed.",
    (
        *place(),
        maybe("column", "word", "Column of the cell; empty where the whole row is meant."),
        always("rule", "word", "Code of the rule, explained in the list of findings."),
        always("what_to_do", "text", "What to change at the source."),
    ),
    key=("source_file", "source_line", "column", "rule"),
)
