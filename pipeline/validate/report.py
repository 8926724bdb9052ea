"""Faults, failures and repairs as the frames everyone reads: with site, file, line and what to do."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import findings as catalogue
from pipeline.handover import Export, Source
from pipeline.validate import masking
from pipeline.validate.identifiers import Suspect
from pipeline.validate.messages import message
from schemas.columns import Table
from schemas.exports import ID_COLUMN

if TYPE_CHECKING:
    import pandas as pd

#: Longest value shown in a finding.
SHOWN_CHARACTERS = 80
#: Columns of findings and repairs that may hold what a sender or a reviewer wrote.
SHOWN_TEXTS = ("record_id", "column", "value", "message", "before", "after")
#: Rules about free text, which no finding shows.
NOT_SHOWN = ("identifier_masked", "note_copied_forward")
AGE = "age_years"
#: Kinds in whose cells anything may be written.
FREE_KINDS = ("id", "code", "word", "words", "text", "note")


def place_of(source: Source) -> str:
    """The file as it is named everywhere: with its sheet."""
    named = not source.sheet or source.source_file.endswith("#" + source.sheet)
    return source.source_file if named else f"{source.source_file}#{source.sheet}"


def without_ages_over_89(texts: pa.Array) -> pa.Array:
    """Ages as they may be shown: one of 90 to 110, with or without a word behind it, is `90+`.

    Ages over 89 identify people (45 CFR 164.514(b)(2)).
    """
    return pc.replace_substring_regex(
        texts, pattern=r"^\s*(?:9[0-9]|10[0-9]|110)(?:[.,]0+)?\b\+?", replacement="90+"
    )


def of_file(export: Export, rule: str) -> pd.DataFrame:
    """One finding about the whole file."""
    table = _table(export)
    return catalogue.frame(
        [{**whole_file(export), "rule": rule, "message": message(rule, table, "", export.source.site)}]
    )


def of_suspects(export: Export, suspects: Sequence[Suspect]) -> pd.DataFrame:
    """A finding for each column that may not be sent, by its header; a header that is itself one is masked."""
    headers = [suspect.header for suspect in suspects]
    shown = masking.masked(pa.array(headers, pa.string())).texts.to_pylist()
    rule = "identifiers_in_columns"
    said = [
        f"The column `{name}` seems to hold {suspect.looks_like}. {catalogue.CATALOGUE[rule].remedy}"
        for name, suspect in zip(shown, suspects, strict=True)
    ]
    rows = zip(shown, said, strict=True)
    return catalogue.frame(
        {**whole_file(export), "column": name, "rule": rule, "message": text} for name, text in rows
    )


def whole_file(export: Export) -> dict[str, object]:
    """Where a finding about a whole file stands."""
    source = export.source
    return {"site": source.site, "source_file": place_of(source), "source_line": None, "table": source.table}


def _table(export: Export) -> Table:
    from schemas.exports import EXPORTS

    return EXPORTS[export.source.table]


def of_rows(
    export: Export,
    table: Table,
    site: pa.Array,
    faults: pd.DataFrame,
    failures: pd.DataFrame,
    masks: dict[str, np.ndarray],
) -> pd.DataFrame:
    """Findings about rows, with `row` beside the columns of every findings frame.

    A cell that could not be read is not also missing or out of range.
    """
    import pandas as pd

    if not len(faults) and not len(failures) and not masks:
        return catalogue.empty().assign(row=pd.Series(dtype="int64"))
    unread = faults[faults["rule"].map(_holds_back)] if len(faults) else faults
    others = _not_among(failures.drop_duplicates(["row", "column", "rule"]), unread)
    masked = [
        pd.DataFrame({"row": rows, "column": name, "rule": "identifier_masked"})
        for name, rows in masks.items()
    ]
    parts = [faults[["row", "column", "rule"]], others, *masked]
    found = pd.concat([part.astype(object) for part in parts], ignore_index=True)
    found = found.astype({"row": "int64"})
    found["value"] = _values(export, table, found)
    found["message"] = _by_pair(found, lambda rule, column: message(rule, table, column, export.source.site))
    found["action"] = found["rule"].map(lambda rule: catalogue.CATALOGUE[rule].action)
    return _ordered(_with_place(export, table, site, found), table)


def _holds_back(rule: str) -> bool:
    return catalogue.CATALOGUE[rule].action == "quarantine"


def _not_among(failures: pd.DataFrame, unread: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    if not len(unread) or not len(failures):
        return failures
    cells = pd.MultiIndex.from_frame(failures[["row", "column"]].astype(object))
    return failures[~cells.isin(pd.MultiIndex.from_frame(unread[["row", "column"]].astype(object)))]


def _by_pair(found: pd.DataFrame, say: Callable[[str, str], str]) -> np.ndarray:
    """What `say(rule, column)` gives for each row, asked once for each pair."""
    import pandas as pd

    pairs = list(zip(found["rule"], found["column"], strict=True))
    known = {pair: say(*pair) for pair in dict.fromkeys(pairs)}
    return pd.Series(pairs, dtype=object).map(known).to_numpy() if pairs else np.empty(0, dtype=object)


def _values(export: Export, table: Table, found: pd.DataFrame) -> np.ndarray:
    """Each finding's cell as sent, masked; empty where free text was masked."""
    values = np.full(len(found), "", dtype=object)
    for column, rows in found.groupby("column", sort=False)["row"]:
        name = str(column)
        if name not in export.rows.column_names or name not in table.names:
            continue
        text = export.rows[name].take(pa.array(rows.to_numpy("int64"))).combine_chunks().cast(pa.string())
        shown = masking.masked_by_kind(text, table[name].kind).texts
        shown = (without_ages_over_89(shown) if name == AGE else shown).to_pylist()
        values[rows.index.to_numpy()] = [(one or "").strip()[:SHOWN_CHARACTERS] for one in shown]
    values[found["rule"].isin(NOT_SHOWN).to_numpy()] = ""
    return values


def _with_place(export: Export, table: Table, site: pa.Array, found: pd.DataFrame) -> pd.DataFrame:
    """The frame with site, file, line, table and record of each of its rows."""
    rows = pa.array(found["row"].to_numpy("int64"))
    named = ID_COLUMN[table.name]
    records = pa.nulls(len(found), pa.string())
    if named in export.rows.column_names:
        records = export.rows[named].take(rows).combine_chunks().cast(pa.string())
        records = masking.masked_ids(records).texts
    return found.assign(
        site=site.take(rows).to_pandas().astype("string"),
        source_file=place_of(export.source),
        source_line=export.rows["source_line"].take(rows).to_pandas().astype("Int64"),
        table=table.name,
        record_id=records.to_pandas().astype("string").fillna("").str.strip(),
    )


def _ordered(found: pd.DataFrame, table: Table) -> pd.DataFrame:
    """By row, then by the order of the columns, then by rule."""
    positions = {name: at for at, name in enumerate(table.names)}
    ranks = found["column"].map(lambda name: positions.get(name, -1))
    order = np.lexsort((found["rule"].astype(str), ranks.to_numpy(), found["row"].to_numpy()))
    return found.iloc[order].reset_index(drop=True)


def of_columns(export: Export, table: Table, noted: Iterable[tuple[str, str, int]]) -> pd.DataFrame:
    """A finding for each rule and column of which it is enough to say in how many cells it was met."""
    return catalogue.frame(
        {
            **whole_file(export),
            "column": column,
            "rule": rule,
            "message": f"{_cells(cells)}. {message(rule, table, column, export.source.site)}",
        }
        for rule, column, cells in noted
    )


def _cells(number: int) -> str:
    return "1 cell" if number == 1 else f"{number} cells"


def of_repairs(
    export: Export,
    table: Table,
    site: pa.Array,
    repairs: pd.DataFrame,
    blanks: dict[str, int],
    masks: dict[str, np.ndarray],
) -> pd.DataFrame:
    """Repairs of one file with site, file, line and record; blanks around cells in one line a column."""
    import pandas as pd

    trimmed = [
        {**whole_file(export), "record_id": "", "column": name, "rule": "blanks_trimmed", "before": "", "after": _cells(n)}
        for name, n in blanks.items()
    ]  # fmt: skip
    masked = [
        pd.DataFrame({"row": rows, "column": name, "rule": "identifier_masked", "before": "", "after": masking.MASK})
        for name, rows in masks.items()
    ]  # fmt: skip
    changed = [part.astype({"column": "object"}) for part in (repairs, *masked) if len(part)]
    frames = [pd.DataFrame(trimmed)] if trimmed else []
    if changed:
        whole = _masked_repairs(pd.concat(changed, ignore_index=True), table)
        frames.append(_ordered(_with_place(export, table, site, whole), table))
    return joined_repairs(frames)


def _masked_repairs(repairs: pd.DataFrame, table: Table) -> pd.DataFrame:
    """The same without identifiers in texts that may hold any."""
    shown = repairs.copy()
    shown.loc[shown["rule"] == "age_over_89", "before"] = ""
    for column, rows in repairs.groupby("column", sort=False).groups.items():
        kind = table[str(column)].kind
        if kind in FREE_KINDS:
            for name in ("before", "after"):
                texts = pa.array(repairs.loc[rows, name], pa.string())
                masked = masking.masked_by_kind(texts, kind).texts
                shown.loc[rows, name] = masked.to_numpy(zero_copy_only=False)
    return shown


def joined_repairs(frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Repairs frames as one, with the columns and types of every repairs frame."""
    import pandas as pd

    columns = list(catalogue.REPAIR_COLUMNS)
    filled = [frame[columns].astype({"source_line": "Int64"}) for frame in frames if len(frame)]
    if not filled:
        return _no_repairs().copy()
    whole = pd.concat(filled, ignore_index=True)
    texts = [name for name in columns if name != "source_line"]
    whole[texts] = whole[texts].astype("string").fillna("")
    return whole


@lru_cache(maxsize=1)
def _no_repairs() -> pd.DataFrame:
    import pandas as pd

    kinds = {name: "Int64" if name == "source_line" else "string" for name in catalogue.REPAIR_COLUMNS}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def without_identifiers(said: pd.DataFrame) -> pd.DataFrame:
    """Findings or repairs of whatever stage as they may be written: what was said elsewhere is masked here.

    Headers are texts of a sender too; ids and bare numbers stay.
    """
    shown = said.copy()
    for name in SHOWN_TEXTS:
        if name not in said:
            continue
        texts = masking.one_array(pa.array(said[name], pa.string()))
        clean = masking.masked_ids(texts) if name == "record_id" else masking.masked_words(texts)
        if clean.changed.any():
            shown[name] = clean.texts.to_pandas().astype(said[name].dtype).to_numpy()
    return shown
