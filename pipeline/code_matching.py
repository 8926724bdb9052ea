"""Codes against patterns: an exact pattern beats a wildcard, a longer wildcard beats a shorter one."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Generic, TypeVar

Meaning = TypeVar("Meaning")

#: ICD-10-CM codes whose seventh character says which encounter it is: chapter 19, and fractures in M80, M84,
#: M97. A, B and C are the first treatment of an injury (closed, open, open type III); the rest come later.
_ENCOUNTER_CODE = re.compile(r"(?P<stem>(?:[ST]\d|M8\d|M97)[0-9A-Z]{3,4})(?P<encounter>[A-Z])")


def normalised_code(system: str, text: str) -> str:
    """The code as it is compared: trimmed; for ICD-10 systems also upper case and without its dot."""
    code = text.strip()
    return code.upper().replace(".", "") if system.startswith("ICD-10") else code


def initial_encounter(system: str, code: str) -> str:
    """The same injury's code at first treatment, if `code` is a later encounter of it; else empty."""
    found = _ENCOUNTER_CODE.fullmatch(code) if system == "ICD-10-CM" and len(code) == 7 else None
    return found["stem"] + "A" if found and found["encounter"] not in "ABC" else ""


def covers(wide: str, narrow: str) -> bool:
    """Whether every code of the pattern `narrow` is also one of `wide` (both normalised)."""
    if not wide.endswith("*"):
        return wide == narrow
    return narrow.removesuffix("*").startswith(wide[:-1])


class CodeIndex(Generic[Meaning]):
    """Patterns of one system and what they mean, for looking up unique codes."""

    def __init__(self, system: str, patterns: Mapping[str, Meaning]) -> None:
        compared = {normalised_code(system, pattern): meaning for pattern, meaning in patterns.items()}
        self.system = system
        self._exact = {code: meaning for code, meaning in compared.items() if not code.endswith("*")}
        self._starts = {code[:-1]: meaning for code, meaning in compared.items() if code.endswith("*")}
        self._lengths = sorted({len(start) for start in self._starts}, reverse=True)

    def exact(self, code: str) -> Meaning | None:
        """What the code means by a pattern without wildcard."""
        return self._exact.get(normalised_code(self.system, code))

    def __getitem__(self, code: str) -> Meaning | None:
        """What the code means, by its best pattern; None if no pattern has it."""
        compared = normalised_code(self.system, code)
        if compared in self._exact:
            return self._exact[compared]
        starts = (compared[:length] for length in self._lengths if length <= len(compared))
        return next((self._starts[start] for start in starts if start in self._starts), None)
