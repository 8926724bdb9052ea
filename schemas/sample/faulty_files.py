"""Files that are odd as a whole: repeated, renamed, broken off, printed like a report, counted elsewhere."""

from __future__ import annotations

import pandas as pd

from schemas.controls import CONTROL_TOTALS, FILE_NAME
from schemas.sample.hospitals import HARBOUR, LATE_EXPORT, MILLFIELD, csv_bytes
from schemas.sample.planting import ENOUGH_ROWS, Planter, harbour, millfield, northgate


def report_lines(planter: Planter) -> None:
    """A title above a sheet's header and a total below its rows."""
    key = northgate("Readings")
    if len(planter.rows(key)):
        planter.preambles[key] = ("Readings of motion and scores", "")
        planter.tell(key, None, "header_below_preamble", "two lines above the header, a total below")


def page_break(planter: Planter) -> None:
    """A list printed page by page repeats its header in the middle."""
    key = millfield("motion")
    rows = planter.rows(key)
    if len(rows) >= ENOUGH_ROWS:
        half = len(rows) // 2
        header = pd.DataFrame([list(rows.columns)], columns=rows.columns)
        planter.made[key] = pd.concat([rows[:half], header, rows[half:]], ignore_index=True)
        planter.tell(
            key, half, "row_not_data", "the header once more, as on a new page", str(header.iloc[0, 0])
        )


def named_by_month(planter: Planter) -> None:
    """Readings under a name with their month; the next receipt brings the same name with a few rows put right."""
    sent, name = harbour("measurements", HARBOUR.receipts[4]), "measurements_2026-06.csv"
    rows = planter.rows(sent)
    if len(rows) < ENOUGH_ROWS:
        return
    first = (HARBOUR.site, HARBOUR.receipts[4], name, "")
    again = (HARBOUR.site, HARBOUR.receipts[5], name, "")
    planter.made[first] = planter.made.pop(sent)
    planter.made[again] = rows.iloc[[6, 7]].assign(recorded_at=f"{HARBOUR.receipts[5]}T07:40:00")
    for at in (6, 7):
        wrong = str(int(rows["value"].iloc[at]) - 1)
        planter.change(first, at, "record_superseded", "a reading that is corrected later", "", value=wrong)
    planter.tell(again, None, "file_changed", "the name of a month before, with other content")


def sent_again(planter: Planter) -> None:
    """A file of May comes once more in June under another name."""
    old = harbour("followups", HARBOUR.receipts[2])
    new = harbour("followups_may", HARBOUR.receipts[3])
    if len(planter.rows(old)):
        planter.copies[new] = old
        planter.tell(new, None, "record_duplicate", f"the same bytes as in the receipt of {old[1]}")


def broken_off(planter: Planter) -> None:
    """Millfield's last list of incidents breaks off; two days later it comes whole."""
    key = millfield("incidents")
    if len(planter.rows(key)) >= 2:
        planter.made[millfield("incidents", LATE_EXPORT)] = planter.rows(key)
        planter.broken_off.add(key)
        planter.tell(key, None, "file_truncated", f"ends within a row; whole in the receipt of {LATE_EXPORT}")


def vanished(planter: Planter) -> None:
    """A visit of the first full export is missing from the second, never withdrawn."""
    first, second = (millfield("clinic_list", receipt) for receipt in MILLFIELD.receipts)
    rows = planter.rows(first)
    if len(rows) >= 200:
        unneeded = rows.copy().iloc[[15]].assign(Visit="MF-X9001")
        planter.made[first] = pd.concat([rows, unneeded], ignore_index=True)
        planter.tell(second, None, "records_vanished", "a visit sent before is gone", "MF-X9001")


def unquoted(planter: Planter) -> None:
    """A remark that holds the sign between columns and stands in no quotation marks."""
    key = millfield("clinic_list")
    rows = planter.rows(key)
    if len(rows) >= ENOUGH_ROWS:
        record = f"MF-X{len(planter.listed) + 1:04d}"
        row = {**dict.fromkeys(rows.columns, ""), "Visit": record, "Pt": "MF-PX9002", "Day": "14.09.2026",
               "Came": "attended", "Remark": "Doing well; back at work"}  # fmt: skip
        planter.tails[key] = (";".join(row.values()),)
        planter.tell(key, len(rows), "row_ragged", "a semicolon in a remark without quotation marks", record)


def control_totals(planter: Planter) -> None:
    """What harbour counted itself lies beside its last two exports, and agrees with them."""
    for receipt in HARBOUR.receipts[-2:]:
        operations = [
            rows for (site, day, name, _), rows in planter.made.items()
            if site == HARBOUR.site and day <= receipt and name.startswith("operations")
        ]  # fmt: skip
        done = sum(int((rows["status"] == "performed").sum()) for rows in operations if len(rows))
        events = planter.rows(harbour("events", receipt))
        counted = [
            {"table": "operations", "rows": str(done)},
            {
                "file": "events.csv",
                "rows": str(len(events)),
                "bytes": str(len(csv_bytes(events, HARBOUR.site))),
            },
        ]
        key = (HARBOUR.site, receipt, FILE_NAME, "")
        empty = dict.fromkeys(CONTROL_TOTALS.names, "")
        planter.made[key] = pd.DataFrame([{**empty, **each} for each in counted])


BEFORE = (report_lines, page_break)
PLANTS = (named_by_month, sent_again, broken_off, vanished, unquoted, control_totals)
