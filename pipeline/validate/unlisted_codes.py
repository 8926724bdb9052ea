"""Diagnosis codes that the list of ICD-10-CM does not have: one finding a code, with the number of its rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings
from pipeline.code_lists import INCOMPLETE, LISTED, RELEASE, SYSTEM, standing
from pipeline.handover import Export
from pipeline.validate.codes import SYSTEM_OF
from pipeline.validate.masking import masked_ids
from pipeline.validate.parse import one_chunk

if TYPE_CHECKING:
    import pandas as pd

RULE = "code_not_in_list"
COLUMNS = ("diagnosis_code", "code")
#: So many codes of a file are named one by one; the rest is counted in one finding.
MOST_NAMED = 50


def unlisted_codes(export: Export, place: dict[str, object], typed: pa.Table) -> pd.DataFrame:
    """Findings about the codes of one file, each with the line of its first row.

    Args:
        export: Where the rows came from.
        place: Site, file and table as findings name them.
        typed: Columns of the contract; codes in their usual spelling.
    """
    lines = export.rows["source_line"].to_numpy()
    told: list[dict[str, object]] = []
    for column in COLUMNS:
        if column in typed.column_names:
            told += [{**place, "column": column, **said} for said in _of_column(typed, column, lines)]
    return findings.frame(told)


def _of_column(typed: pa.Table, column: str, lines: np.ndarray) -> list[dict[str, object]]:
    asked = pc.equal(typed[SYSTEM_OF[column]], SYSTEM)
    codes = one_chunk(pc.if_else(asked, typed[column], pa.scalar(None, pa.string()))).dictionary_encode()
    stands = [standing(code) for code in codes.dictionary.to_pylist()]
    positions = pc.fill_null(codes.indices, len(stands)).to_numpy(zero_copy_only=False)
    counts = np.bincount(positions, minlength=len(stands) + 1)
    _, first = np.unique(np.append(positions, range(len(stands) + 1)), return_index=True)
    shown = masked_ids(codes.dictionary).texts.to_pylist()
    odd = [at for at, stand in enumerate(stands) if stand != LISTED]
    told = [_said(shown[at], stands[at], int(counts[at]), int(lines[first[at]])) for at in odd[:MOST_NAMED]]
    rest = odd[MOST_NAMED:]
    if rest:
        rows = int(counts[rest].sum())
        told.append({
            "rule": RULE, "source_line": int(lines[first[rest[0]]]),
            "message": f"{len(rest)} further codes in {rows} rows are not complete codes of {RELEASE}.",
        })  # fmt: skip
    return told


def _said(code: str, stand: str, rows: int, line: int) -> dict[str, object]:
    many = "1 row holds" if rows == 1 else f"{rows} rows hold"
    what = (
        f"a heading or an unfinished code of {RELEASE}; a complete code has more characters. Code it in full at the source."
        if stand == INCOMPLETE
        else f"a code that {RELEASE} does not have. {findings.CATALOGUE[RULE].remedy}"
    )
    return {"rule": RULE, "value": code, "source_line": line, "message": f"{many} {what}"}
