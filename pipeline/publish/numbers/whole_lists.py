"""Files that hold long lists whole, each written once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store
from pipeline.publish.numbers.all_cases import CaseFiles, given_file
from pipeline.publish.numbers.facts import CaseFacts
from pipeline.publish.numbers.register import MOST_IN_OWN_FILE, ListPage, Register, Section
from pipeline.publish.numbers.told import Told
from pipeline.publish.numbers.whose import Whose

if TYPE_CHECKING:
    import pandas as pd


class WholeLists:
    """Writes them as pages ask for them.

    Args:
        folder: Of the lists.
        register: Which lists there are.
        facts: About the cases.
        told: What columns are called.
    """

    def __init__(self, folder: Path, register: Register, facts: CaseFacts, told: Told) -> None:
        self.folder = folder
        self.register = register
        self.told = told
        self._files = CaseFiles(facts)
        self._written: dict[str, str] = {}

    def file_of(self, own: ListPage, section: Section) -> str:
        """Name of the file with all of a list; empty where it would be too large."""
        days = section.outcomes[0].days if section.outcomes else 0
        name = f"{own.stem}-{days}.csv" if own.whose else f"{own.name}-{section.identity}.csv"
        if name not in self._written:
            made = self._window(own.whose, days) if own.whose else self._named(section)
            if isinstance(made, bytes):
                store.write_bytes(made, self.folder / name)
            elif made is not None:
                store.write_csv(made, self.folder / name)
            self._written[name] = name if made is not None else ""
        return self._written[name]

    def _window(self, whose: Whose, days: int) -> bytes | None:
        return self._files.statuses(whose, days, self.register.outcomes(whose, days), self.told)

    def _named(self, section: Section) -> bytes | pd.DataFrame | None:
        if section.rows > MOST_IN_OWN_FILE:
            return None
        return (
            self._files.named(section.every)
            if section.every is not None
            else given_file(section.heads, section.given)
        )
