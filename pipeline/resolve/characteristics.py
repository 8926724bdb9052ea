"""What settings ask of an operation row: its fixation, who is compared, and codes that end isolation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.columns import JOINER, joined, sorted_distinct, word_codes
from pipeline.resolve.facts import Numbers, Standing
from pipeline.settings import Compare, Primary, Settings
from schemas.exports import EXPORTS

OPERATIONS = "operations"


@dataclass(frozen=True)
class Characteristics:
    """`columns` go into the frame of operations; the rest is what Facts says of it."""

    columns: dict[str, np.ndarray]
    fixations: tuple[str, ...]
    by: dict[str, tuple[str, ...]]
    codes: pd.DataFrame
    unisolating: np.ndarray


def characteristics_of(numbers: Numbers, settings: Settings) -> Characteristics:
    """Look each distinct text up once."""
    table = numbers.table(OPERATIONS)
    fixation = _as_text(table, "fixation")
    fixations = sorted_distinct([fixation]).to_pylist()
    columns = {"fixation": word_codes(fixation, fixations)}
    by: dict[str, tuple[str, ...]] = {}
    for name in _compared_columns(settings):
        text = _as_text(table, name)
        by[name] = tuple(sorted_distinct([text]).to_pylist())
        columns[f"by:{name}"] = word_codes(text, by[name])
    for group in settings.groups.values():
        columns[f"where:{group.name}"] = _where(table, group.where)
    codes, labels = _codes(table)
    return Characteristics(columns, tuple(fixations), by, codes, _unisolating(numbers, labels))


def _compared_columns(settings: Settings) -> list[str]:
    asked: list[Compare | Primary] = [*settings.compare, *([settings.primary] if settings.primary else [])]
    return list(dict.fromkeys(entry.by for entry in asked if entry.by != "procedure"))


def _as_text(table: Standing, name: str) -> pa.ChunkedArray:
    """The column as one text a row; a list of words sorted and joined by `;`."""
    column = table[name]
    kind = EXPORTS[OPERATIONS][name].kind
    if kind == "yes_no":
        return pc.if_else(column, "yes", "no")
    text = column.cast(pa.string())
    return (
        _mapped(text, lambda value: ";".join(sorted(set(value.split(";")))), pa.string())
        if kind == "words"
        else text
    )


def _mapped(
    column: pa.ChunkedArray, change: Callable[[str], object], becomes: pa.DataType
) -> pa.ChunkedArray:
    """Each distinct text changed once; null stays null."""
    known = sorted_distinct([column])
    changed = pa.array([change(value) for value in known.to_pylist()], becomes)
    return pa.chunked_array([changed.take(pc.index_in(column.combine_chunks(), value_set=known))])


def _where(table: Standing, where: dict[str, tuple[str, ...]]) -> np.ndarray:
    """bool: every column asked for holds one of the words."""
    wanted = np.ones(len(table), dtype=bool)
    for name, words in where.items():
        known = set(words)
        holds = _mapped(_as_text(table, name), partial(_holds_one, known), pa.bool_())
        wanted &= pc.fill_null(holds, False).to_numpy().astype(bool)
    return wanted


def _holds_one(known: set[str], value: str) -> bool:
    return not known.isdisjoint(value.split(";"))


def _codes(table: Standing) -> tuple[pd.DataFrame, list[str]]:
    """Every code of every row with its system, own and listed; labels are system and code."""
    listed = pc.split_pattern(table["concomitant_codes"].combine_chunks(), ";")
    owner = pc.list_parent_indices(listed)
    further = joined(table["procedure_system"].take(owner), pc.utf8_trim_whitespace(pc.list_flatten(listed)))
    own = joined(table["procedure_system"], table["procedure_code"])
    further = further if isinstance(further, pa.ChunkedArray) else pa.chunked_array([further])
    labels = sorted_distinct([own, further]).to_pylist()
    frame = pd.DataFrame(
        {
            "operation": np.append(np.arange(len(table)), owner.to_numpy()),
            "code": np.append(word_codes(own, labels), word_codes(further, labels)),
            "own": np.append(np.ones(len(table), bool), np.zeros(len(owner), bool)),
        }
    )
    return frame, labels


def _unisolating(numbers: Numbers, labels: list[str]) -> np.ndarray:
    """(procedures, codes) bool: the catalogue lists the code, or its procedure, as taking isolation away."""
    look = numbers.look
    taken = np.zeros((len(look.procedures), len(labels)), dtype=bool)
    lists = [set(look.catalogue.procedures[key].concomitant) for key in look.procedures]
    for column, label in enumerate(labels):
        system, code = label.split(JOINER, 1)
        known = {code, look.catalogue.procedure_of(system, code)}
        taken[:, column] = [not known.isdisjoint(listed) for listed in lists]
    return taken
