"""Values as text, and each cell that differs from its value as a repair.

What a cell came to mean is compared with what it says: where the two differ and the reader gave no reason, the
kind of the column gives one. So no way of reading can change a cell without a line in the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.validate.answers import Answers
from pipeline.validate.codes import SYSTEM_COLUMNS
from pipeline.validate.numbers import OVER_89
from schemas.columns import Column, Kind

#: How an age of 90 or more is written everywhere.
NINETY_AND_OVER = "90+"
#: Kinds that are kept as they are sent, but for blanks around them; moments are compared by their reader.
_KEPT: tuple[Kind, ...] = ("id", "note", "code", "moment")
_RULE_OF: dict[Kind, str] = {
    "date": "date_reread",
    "integer": "number_reread",
    "number": "number_reread",
    "yes_no": "word_folded",
    "word": "word_folded",
    "words": "word_folded",
    "text": "word_folded",
}
#: Rules under which a text becomes empty; the finding says why, the repair shows what stood there.
_EMPTIED = ("value_missing_token", "value_code_for_missing")


@dataclass(frozen=True)
class Differences:
    """Position by position: the rule under which a text was read another way (empty: none), and what it became."""

    rules: np.ndarray
    after: pa.Array


def as_text(values: pa.Array, column: Column, day_numbers: bool = False) -> pa.Array:
    """Values of a column as they are shown and compared; null stays null.

    Args:
        values: In the column's Arrow type.
        column: Its description.
        day_numbers: Days are shown as their number from 1970-01-01.
    """
    match column.kind:
        case "date" if day_numbers:
            return pc.cast(pc.cast(values, pa.int32()), pa.string())
        case "moment":
            return pc.replace_substring_regex(pc.strftime(values, format="%Y-%m-%dT%H:%M:%S"), r"\.0+$", "")
        case "yes_no":
            return pc.if_else(values, "yes", "no")
        case "number":
            return pc.replace_substring_regex(pc.cast(values, pa.string()), r"\.0$", "")
        case "integer" if column.name == "age_years":
            return pc.if_else(pc.equal(values, OVER_89), NINETY_AND_OVER, pc.cast(values, pa.string()))
        case _:
            return pc.cast(values, pa.string())


def differences(
    answers: Answers, sent: pa.Array, known: pa.Array, column: Column, day_numbers: bool = False
) -> Differences:
    """Where the distinct texts of a column differ from what they became.

    Args:
        answers: What they mean.
        sent: The texts, trimmed.
        known: The same with null for words that say that nothing is known.
        column: The column's description.
        day_numbers: The site sends numbers of days in place of days.
    """
    rules, after = answers.repairs, None
    if column.kind not in _KEPT and (column.kind != "text" or column.name in SYSTEM_COLUMNS):
        after = as_text(answers.values, column, day_numbers)
        rules = np.where(_true(pc.not_equal(after, sent)) & (rules == ""), _RULE_OF[column.kind], rules)
    for rule, where in zip(
        _EMPTIED, (_said_nothing(sent, known), answers.faults == _EMPTIED[1]), strict=True
    ):
        if where.any():
            rules = np.where(where, rule, rules)
    if after is None and (rules != "").any():
        after = as_text(answers.values, column, day_numbers)
    return Differences(rules, pa.nulls(len(sent), pa.string()) if after is None else pc.fill_null(after, ""))


def _said_nothing(sent: pa.Array, known: pa.Array) -> np.ndarray:
    return _true(pc.and_(sent.is_valid(), known.is_null()))


def _true(flags: pa.Array) -> np.ndarray:
    return pc.fill_null(flags, False).to_numpy(zero_copy_only=False)
