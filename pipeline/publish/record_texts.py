"""What a record says, in words and without its note, for many records at once."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

#: Columns of each table that are told; one whose name says nothing new stands without it.
TOLD = {
    "operations": ("planned_with", "planned_as", "planned_on", "anaesthesia", "reason"),
    "events": (
        "code", "instability_level", "reduced_by", "through_fixation_site", "energy", "severity_grade", "management",
        "source",
    ),
    "followups": ("status", "instability_level", "return_to_sport", "pain"),
    "measurements": ("measure", "mode", "value", "unit"),
}  # fmt: skip
BARE = ("status", "measure", "mode", "value", "unit", "code")


def what_of(table: pa.Table, name: str) -> pa.ChunkedArray:
    """What each row of events, follow-ups or measurements says; null where there is nothing to say."""
    return _joined([_said(table[column], column) for column in TOLD[name]], _between(name))


def what_was_done(table: pa.Table, procedure: np.ndarray, names: tuple[str, ...]) -> pa.ChunkedArray:
    """What each row of operations says.

    Args:
        table: Accepted operations.
        procedure: Of each row its place in `names`, -1 for a code that the catalogue lacks.
        names: Keys of procedures.
    """
    known = pa.array(names, pa.string()).take(pa.array(procedure.astype(np.int32), mask=procedure < 0))
    coded = pc.if_else(pc.is_valid(known), known, table["procedure_code"])
    return _joined([coded, *(_said(table[column], column) for column in TOLD["operations"])], ", ")


def _between(name: str) -> str:
    return " " if name == "measurements" else ", "


def _said(cells: pa.ChunkedArray, column: str) -> pa.ChunkedArray:
    """`energy low`; only `seen` where the word speaks for itself."""
    text = cells.cast(pa.string())
    if column in BARE or text.null_count == len(text):
        return text
    return pc.binary_join_element_wise(pa.scalar(column.replace("_", " ")), text, " ")


def _joined(texts: list[pa.ChunkedArray], between: str) -> pa.ChunkedArray:
    """The texts of each record that are there; null where none is.

    Joining leaves out a record without any text altogether, so such a one first gets an empty text.
    """
    texts = [each for each in texts if each.null_count < len(each)] or texts[:1]
    spoken = pc.is_valid(pc.coalesce(*texts))
    first = pc.if_else(spoken, texts[0], pa.scalar("", pa.string()))
    whole = pc.binary_join_element_wise(first, *texts[1:], between, null_handling="skip")
    return pc.if_else(pc.equal(whole, ""), pa.scalar(None, pa.string()), whole)
