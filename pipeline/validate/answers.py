"""What each distinct text of a column means; every reader yields one `Answers`.

An export repeats itself: a million rows hold a few thousand different days and a dozen different words. So a
reader sees each distinct text once, and the answer is spread over the rows afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pyarrow as pa


class Answer(NamedTuple):
    """One text: its value, else the rule it breaks; and the rule under which it was read another way."""

    value: object = None
    fault: str = ""
    repair: str = ""


@dataclass(frozen=True)
class Answers:
    """Position by position over the texts asked about.

    Attributes:
        values: The meaning, in the column's Arrow type; null where missing or not readable.
        faults: Code of the rule a text breaks, empty where none.
        repairs: Code of the rule under which a text was read another way, empty where none.
    """

    values: pa.Array
    faults: np.ndarray
    repairs: np.ndarray

    def __len__(self) -> int:
        return len(self.values)


def without_fault(values: pa.Array) -> Answers:
    """Answers of texts that all mean what they say."""
    return Answers(values, empty_codes(len(values)), empty_codes(len(values)))


def empty_codes(length: int) -> np.ndarray:
    """An array of empty rule codes."""
    codes = np.empty(length, dtype=object)
    codes[:] = ""
    return codes


def one_by_one(texts: pa.Array, read: Callable[[str], Answer], arrow_type: str) -> Answers:
    """Ask `read` about every text that is not null."""
    values: list[object] = []
    faults, repairs = empty_codes(len(texts)), empty_codes(len(texts))
    for position, text in enumerate(texts.to_pylist()):
        answer = Answer() if text is None else read(text)
        values.append(answer.value)
        faults[position], repairs[position] = answer.fault, answer.repair
    return Answers(pa.array(values, type=pa.type_for_alias(arrow_type)), faults, repairs)


def overlaid(below: Answers, positions: np.ndarray, above: Answers) -> Answers:
    """`below` with the answers `above` put at `positions`."""
    source = np.arange(len(below))
    source[positions] = len(below) + np.arange(len(above))
    values = pa.concat_arrays([below.values, above.values]).take(pa.array(source))
    faults, repairs = below.faults.copy(), below.repairs.copy()
    faults[positions], repairs[positions] = above.faults, above.repairs
    return Answers(values, faults, repairs)
