"""Files and sheets of one kind, taken together: the same name but for days and numbers, the same sheet."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

from pipeline.drafting.looks import Look, look_of
from pipeline.drafting.phrases import phrases
from pipeline.drafting.sheets import Sheet
from pipeline.intake.header import plain

_NUMBERS = re.compile(r"\d+(?:[-_. ]\d+)*")
_WORD = re.compile(r"[^\W\d_]+")


@dataclass(frozen=True)
class Group:
    """Sheets that one `[[table]]` can speak of.

    Attributes:
        pattern: For `file`; `sheet` is empty but for workbooks.
        sheets: Newest first.
        looks: Each header, by its name in the newest file that has it.
        repeated: Headers that stand twice in one file.
    """

    pattern: str
    sheet: str
    sheets: tuple[Sheet, ...]
    looks: tuple[Look, ...]
    repeated: frozenset[str]

    @property
    def files(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(sheet.file for sheet in self.sheets))

    @property
    def rows(self) -> int:
        return sum(sheet.rows for sheet in self.sheets)

    @property
    def is_text(self) -> bool:
        return not self.sheet and not self.files[0].lower().removesuffix(".gz").endswith(".parquet")

    def together(self, one: str, other: str) -> bool:
        """Whether some file has both headers."""
        both = {plain(one), plain(other)}
        return any(both <= {plain(header) for header in sheet.headers} for sheet in self.sheets)


def pattern_of(name: str) -> str:
    """A file name with `*` for days, numbers and months, and one before its ending."""
    stem, dot, ending = re.sub(r"\.gz$", "", name, flags=re.IGNORECASE).rpartition(".")
    bare = _NUMBERS.sub("\x00", stem)
    bare = _WORD.sub(lambda found: "\x00" if found[0].lower() in phrases().months else found[0], bare)
    escaped = re.sub(r"[\[\]*?]", "?", bare)
    starred = re.sub(r"[-_. ]*\x00(?:[-_. ]*\x00)*", "*", escaped)
    return re.sub(r"\*+", "*", f"{starred}*") + dot + ending


def grouped(sheets: Iterable[Sheet]) -> list[Group]:
    """Groups in the order in which their first file arrived; patterns that would take others' files are narrowed."""
    together: dict[tuple[str, str], list[Sheet]] = {}
    for sheet in sheets:
        together.setdefault((pattern_of(sheet.file).lower(), sheet.sheet.casefold()), []).append(sheet)
    names = {key: {sheet.file for sheet in listed} for key, listed in together.items()}
    return [_group(listed, _strangers(key, names)) for key, listed in together.items()]


def _strangers(key: tuple[str, str], names: dict[tuple[str, str], set[str]]) -> set[str]:
    """Names of files that belong to other patterns."""
    return {name for (pattern, _), listed in names.items() if pattern != key[0] for name in listed}


def _group(listed: Sequence[Sheet], strangers: set[str]) -> Group:
    newest = sorted(listed, key=lambda sheet: sheet.receipt, reverse=True)
    pattern = pattern_of(newest[0].file)
    if any(fnmatchcase(name.lower().removesuffix(".gz"), pattern.lower()) for name in strangers):
        exact = {re.sub(r"\.gz$", "", sheet.file, flags=re.IGNORECASE) for sheet in newest}
        pattern = re.sub(r"[\[\]*?]", "?", exact.pop()) if len(exact) == 1 else pattern
    headers: dict[str, str] = {}
    repeated: set[str] = set()
    for sheet in newest:
        plains = [plain(header) for header in sheet.headers if header]
        repeated |= {name for name in plains if plains.count(name) > 1}
        for header in sheet.headers:
            headers.setdefault(plain(header), header)
    looks = tuple(_look(header, newest) for name, header in headers.items() if name and name not in repeated)
    return Group(
        pattern, newest[0].sheet, tuple(newest), looks, frozenset(headers[name] for name in repeated)
    )


def _look(header: str, sheets: Sequence[Sheet]) -> Look:
    pieces = [
        (sheet.file, sheet.cells.column(at), sheet.lines)
        for sheet in sheets
        for at, name in enumerate(sheet.headers)
        if plain(name) == plain(header)
    ]
    return look_of(header, pieces)
