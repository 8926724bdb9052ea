"""Control totals: what a sender counted elsewhere, laid beside the exports of one receipt."""

from __future__ import annotations

from schemas.columns import Column, Table
from schemas.exports import CONTRACT, EXPORTS, OURS

#: The one file of a receipt folder that holds them.
FILE_NAME = "control_totals.csv"

CONTROL_TOTALS = Table(
    "control_totals",
    "One count from outside the export, such as the operations in the theatre log; lies in the receipt folder as "
    f"`{FILE_NAME}`. A line names a table or a file.",
    (
        Column(
            "table",
            "word",
            "Table whose records were counted; of operations, those performed.",
            vocabulary=tuple(EXPORTS),
            source=CONTRACT,
        ),
        Column("file", "text", "File of the same receipt that was counted or measured.", source=OURS),
        Column(
            "first_day",
            "date",
            "First day of the records counted; empty: no limit.",
            source=OURS,
            display="day",
        ),
        Column(
            "last_day",
            "date",
            "Last day of the records counted; empty: no limit.",
            source=OURS,
            display="day",
        ),
        Column("rows", "integer", "How many records were counted.", low=0, source=OURS, display="count"),
        Column("bytes", "integer", "Size of the file when it was written.", low=0, unit="bytes", source=OURS),
    ),
    key=("table", "file", "first_day", "last_day"),
)
