"""What settings ask of an operation row: its fixation, who is compared, and codes that end isolation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.columns import JOINER
from pipeline.resolve.facts import Numbers, Standing, listed_codes
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
    fixations, fixation = _as_text(table, "fixation")
    columns = {"fixation": fixation}
    by: dict[str, tuple[str, ...]] = {}
    for name in _compared_columns(settings):
        by[name], columns[f"by:{name}"] = _as_text(table, name)
    for group in settings.groups.values():
        columns[f"where:{group.name}"] = _where(table, group.where)
    codes, labels = _codes(table)
    return Characteristics(columns, fixations, by, codes, _unisolating(numbers, labels))


def _compared_columns(settings: Settings) -> list[str]:
    asked: list[Compare | Primary] = [*settings.compare, *([settings.primary] if settings.primary else [])]
    return list(dict.fromkeys(entry.by for entry in asked if entry.by != "procedure"))


def _as_text(table: Standing, name: str) -> tuple[tuple[str, ...], np.ndarray]:
    """A column as texts: those that occur, in order, and the position of each row's (int32, -1 where null).

    Yes or no are these words; words of a list are sorted and joined by `;`.
    """
    values, codes = table.coded(name)
    kind = EXPORTS[OPERATIONS][name].kind
    if kind == "yes_no":
        texts = ["yes" if value else "no" for value in values.to_pylist()]
    else:
        texts = values.cast(pa.string()).to_pylist()
    if kind == "words":
        texts = [";".join(sorted(set(text.split(";")))) for text in texts]
    place = {text: number for number, text in enumerate(sorted(set(texts)))}
    return tuple(place), np.array([*(place[text] for text in texts), -1], dtype=np.int32)[codes]


def _where(table: Standing, where: dict[str, tuple[str, ...]]) -> np.ndarray:
    """bool: every column asked for holds one of the words."""
    wanted = np.ones(len(table), dtype=bool)
    for name, words in where.items():
        texts, codes = _as_text(table, name)
        wanted &= np.array([*(_holds_one(set(words), text) for text in texts), False])[codes]
    return wanted


def _holds_one(known: set[str], value: str) -> bool:
    return not known.isdisjoint(value.split(";"))


def _codes(table: Standing) -> tuple[pd.DataFrame, list[str]]:
    """Every code of every row with its system, own and listed; labels are system and code."""
    own_labels, own = table.paired("procedure_system", "procedure_code")
    owner, further_labels, further = listed_codes(table)
    labels = sorted({*own_labels, *further_labels})
    position = {label: number for number, label in enumerate(labels)}
    own, further = (
        np.array([*(position[label] for label in each), -1], dtype=np.int32)[code]
        for each, code in ((own_labels, own), (further_labels, further))
    )
    frame = pd.DataFrame(
        {
            "operation": np.append(np.arange(len(table)), owner),
            "code": np.append(own, further),
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
