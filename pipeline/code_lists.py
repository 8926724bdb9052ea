"""Whether a diagnosis code is in the list of ICD-10-CM, and whether it is complete.

`schemas/icd10cm_codes.txt.xz` holds the complete codes of the release of April 2026, sorted, without dot, one a line. It
was frozen from the package simple-icd-10-cm 1.5.0 (data of the CDC, National Center for Health Statistics); a test
compares the two. A code of a later release is not in it: that is worth a warning and changes no count.
"""

from __future__ import annotations

import lzma
from bisect import bisect_left
from functools import lru_cache
from importlib.resources import files

from pipeline.code_matching import normalised_code

SYSTEM, RELEASE = "ICD-10-CM", "ICD-10-CM, release April 2026"
LISTED, INCOMPLETE, UNKNOWN = "listed", "incomplete", "unknown"
_SHORTEST = 3


def standing(code: str) -> str:
    """LISTED, INCOMPLETE (a heading, or a code that lacks characters) or UNKNOWN. For unique codes."""
    compared, codes = normalised_code(SYSTEM, code), complete_codes()
    at = bisect_left(codes, compared)
    if at == len(codes) or len(compared) < _SHORTEST or not codes[at].startswith(compared):
        return UNKNOWN
    return LISTED if codes[at] == compared else INCOMPLETE


@lru_cache(maxsize=1)
def complete_codes() -> tuple[str, ...]:
    """All complete codes, sorted, without dot."""
    packed = files("schemas").joinpath("icd10cm_codes.txt.xz").read_bytes()
    return tuple(lzma.decompress(packed).decode("ascii").split())
