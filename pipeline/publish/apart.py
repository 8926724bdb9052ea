"""What of an edition is made from the tables as written alone, so that a second process can make it meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pyarrow as pa

from pipeline import findings
from pipeline.publish.context import Context
from pipeline.publish.numbers import Register
from pipeline.publish.outward.edition import Outcome, needed
from pipeline.publish.workbook import SHOWN
from pipeline.second import ALONE, Alone

#: Bytes; beyond, sending tables to another process takes memory and time that its help is not worth.
MOST_SENT = 200_000_000


def begun(
    hand: Alone, folder: Path, written: Mapping[str, pa.Table], context: Context
) -> Callable[[], Outcome]:
    """Begin with the workbook and the outward edition.

    Args:
        hand: Who makes them.
        folder: The edition's, while it is being built.
        written: The department's tables.

    Returns:
        What waits for both and says how the outward edition went.
    """
    sheets = {table.name: written[table.name] for table in SHOWN if table.name in written}
    outward = needed(written)
    sent = sum(table.nbytes for table in (*sheets.values(), *outward.values()))
    plain = replace(
        context, lists=Register(), found=findings.empty(), for_senders=findings.empty(), as_used={}
    )
    return (hand if sent <= MOST_SENT else ALONE).begin(_made, folder, sheets, outward, plain)


def _made(
    folder: Path, sheets: Mapping[str, pa.Table], outward: Mapping[str, pa.Table], context: Context
) -> Outcome:
    from pipeline.publish.outward import write_outward
    from pipeline.publish.workbook import write_workbook

    outcome = write_outward(folder, outward, context)
    write_workbook(folder / "department" / "workbook.xlsx", sheets, context)
    return outcome
