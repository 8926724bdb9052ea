"""What of an edition is made from the tables as written alone, so that a second process can make it meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pyarrow as pa

from pipeline import findings
from pipeline.publish.coded import in_words
from pipeline.publish.context import Context
from pipeline.publish.handout import NEEDS
from pipeline.publish.numbers import Register
from pipeline.publish.outward.edition import MADE_FROM, Outcome, needed
from pipeline.publish.period_cases import tables_of_period
from pipeline.publish.workbook import MOST_ROWS, SHOWN
from pipeline.second import Alone

#: Tables that the outward edition waits for.
FIRST = tuple(MADE_FROM)


def outward_begun(
    hand: Alone, folder: Path, ready: Mapping[str, pa.Table], context: Context
) -> Callable[[], Outcome]:
    """Begin with the outward edition.

    Args:
        hand: Who makes it.
        folder: The edition's, while it is being built.
        ready: Those of `FIRST` that there are, as they are written.

    Returns:
        What waits for it and says how it went.
    """
    return hand.begin(_outward, folder, needed(ready), _plain(context))


def workbook_begun(
    hand: Alone, department: Path, written: Mapping[str, pa.Table], context: Context
) -> Callable[[], None]:
    """The same with the workbook, of the department's tables."""
    sheets = {table.name: _sheet(written[table.name]) for table in SHOWN if table.name in written}
    return hand.begin(_workbook, department, sheets, _plain(context))


def _sheet(rows: pa.Table) -> pa.Table:
    """Rows in words; of those that are too many for a sheet but their number."""
    if len(rows) > MOST_ROWS:
        return pa.table([pa.nulls(len(rows))], names=rows.column_names[:1])
    return in_words(rows)


def handout_begun(
    hand: Alone, department: Path, printed: Mapping[str, pd.DataFrame], context: Context, edition: str
) -> Callable[[], None]:
    """The same with the handout, of the tables that are printed; `edition` is the name it bears."""
    own = tables_of_period(printed, context.period, context.catalogue)
    tables = {name: (own if name in own else printed)[name] for name in NEEDS if name in printed}
    return hand.begin(_handout, department, tables, _plain(context), edition)


def _plain(context: Context) -> Context:
    """Without lists and findings, of which neither says anything."""
    return replace(
        context, lists=Register(), found=findings.empty(), for_senders=findings.empty(), as_used={}
    )


def _outward(folder: Path, tables: Mapping[str, pa.Table], context: Context) -> Outcome:
    from pipeline.publish.outward import write_outward

    return write_outward(folder, tables, context)


def _handout(department: Path, tables: Mapping[str, pd.DataFrame], context: Context, edition: str) -> None:
    from pipeline.publish.handout import write_handout

    write_handout(department, tables, context, edition)


def _workbook(department: Path, tables: Mapping[str, pa.Table], context: Context) -> None:
    from pipeline.publish.workbook import write_workbook

    write_workbook(department / "workbook.xlsx", tables, context)
