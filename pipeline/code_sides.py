"""The side that a diagnosis code names, where its official description does.

`schemas/icd10cm_sides.csv` was frozen from the descriptions of ICD-10-CM, release April 2026: beginnings of codes
(without dot) below which every description says `right` and none `left`, or the reverse. It covers chapter 13,
injuries of the limbs, complications of implants, and the limb codes of nerves, veins and skin.
"""

from __future__ import annotations

import csv
from functools import lru_cache
from importlib.resources import files

from pipeline.code_matching import normalised_code

SYSTEM = "ICD-10-CM"
_SHORTEST, _LONGEST = 4, 6


def side_of_code(system: str, code: str) -> str | None:
    """`left` or `right`, or None where the code names no side or is not in the list. For unique codes."""
    if system.strip() != SYSTEM:
        return None
    compared = normalised_code(SYSTEM, code)
    starts = (compared[:length] for length in range(_SHORTEST, min(_LONGEST, len(compared)) + 1))
    return next((_sides()[start] for start in starts if start in _sides()), None)


@lru_cache(maxsize=1)
def _sides() -> dict[str, str]:
    with files("schemas").joinpath("icd10cm_sides.csv").open(encoding="utf-8") as file:
        return {row["starts_with"]: row["side"] for row in csv.DictReader(file)}
