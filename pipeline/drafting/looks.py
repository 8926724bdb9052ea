"""What the cells of a column look like, counted."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.validate import identifiers, words

_ISO = re.compile(r"\d{4}-?\d{2}-?\d{2}(?:[T ]\d{2}:?\d{2}.*)?")
_THREE = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})(?:[T ]+\d{1,2}:\d{2}.*)?")
_NAMED = re.compile(
    r"\d{1,2}(?:st|nd|rd|th)?[\s.-]*[A-Za-z]{3,9}\.?[\s,.-]*\d{2,4}|[A-Za-z]{3,9}\.?\s*\d{1,2},?\s+\d{4}"
)
_SERIAL = re.compile(r"[2-5]\d{4}(?:\.\d+)?")
_WHOLE = re.compile(r"[+-]?\d{1,9}(?:\.0+)?")
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?\s*(?:°|deg|degrees)?")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_POINT = re.compile(r"[+-]?\d+\.\d+")
_CODE = re.compile(r"[A-Z]{1,4}[- ]?\d[\dA-Z.-]{0,10}", re.IGNORECASE)
_YES_NO = frozenset(("yes", "no", "y", "n", "true", "false", "t", "f", "1", "0", "ja", "nein", "j"))
SHOWN_LINES = 3


@dataclass(frozen=True)
class Look:
    """One header over all files of its kind.

    Attributes:
        texts, counts, places: Its distinct texts, how often each occurs, file and line where it is met first.
        unique: Whether no two cells of the newest file are the same.
        lines: The first filled lines of the newest file.
        suspect: What of a person its cells or header seem to hold; empty if nothing.
    """

    header: str
    texts: tuple[str, ...]
    counts: tuple[int, ...]
    places: tuple[tuple[str, int], ...]
    unique: bool
    lines: tuple[int, ...]
    cells: int
    suspect: str = ""
    _cache: dict[str, float] = field(default_factory=dict, compare=False)

    @property
    def filled(self) -> int:
        return sum(self.counts)

    def share(self, fits: Callable[[str], object], name: str = "") -> float:
        """Share of filled cells whose text fits; kept under `name`."""
        if name and name in self._cache:
            return self._cache[name]
        found = self.fitting(fits) / self.filled if self.filled else 0.0
        if name:
            self._cache[name] = found
        return found

    def fitting(self, fits: Callable[[str], object]) -> int:
        """How many filled cells have a text that fits."""
        return sum(count for text, count in zip(self.texts, self.counts, strict=True) if fits(text))

    def known(self, vocabulary: Iterable[str], column: str) -> float:
        """Share of filled cells that are words of a vocabulary, or of its agreed other spellings."""
        understood = understood_words(column, vocabulary)
        return self.share(lambda text: words.plain_word(text) in understood)

    @cached_property
    def dates(self) -> int:
        return self.fitting(is_day)

    @property
    def is_days(self) -> bool:
        return bool(self.filled) and self.dates >= 0.9 * self.filled

    @property
    def is_serials(self) -> bool:
        return self.filled >= 3 and self.share(_SERIAL.fullmatch, "serial") >= 0.95

    @property
    def whole(self) -> float:
        return self.share(_WHOLE.fullmatch, "whole")

    @property
    def number(self) -> float:
        return self.share(_NUMBER.fullmatch, "number")

    @property
    def yes_no(self) -> float:
        return self.share(lambda text: text.lower() in _YES_NO, "yes_no")

    @property
    def code(self) -> float:
        return self.share(_CODE.fullmatch, "code")

    @property
    def prose(self) -> float:
        return self.share(lambda text: text.count(" ") >= 3, "prose")

    @property
    def commas(self) -> int:
        return self.fitting(_COMMA.fullmatch)

    @property
    def points(self) -> int:
        return self.fitting(_POINT.fullmatch)

    @property
    def pseudonyms(self) -> float:
        """Share of cells that are short, without blanks, no day and no decimal number."""
        return self.share(_is_pseudonym, "pseudonym")

    def in_range(self, low: float | None, high: float | None) -> float:
        """Share of filled cells that are numbers within limits."""
        return self.share(lambda text: _is_within(text, low, high))

    def within(self, ids: frozenset[str]) -> float:
        """Share of filled cells that are among the ids."""
        return self.share(lambda text: text in ids) if ids else 0.0


def understood_words(column: str, vocabulary: Iterable[str]) -> frozenset[str]:
    """Words of a vocabulary, with the spellings that are understood without a mapping, as compared."""
    spelled = words.SYNONYMS.get(column, {})
    agreed = {spelling for listed in spelled.values() for spelling in listed}
    return frozenset({words.plain_word(word) for word in vocabulary} | agreed)


def is_day(text: str) -> bool:
    """Whether a text is written like a day."""
    if _ISO.fullmatch(text):
        return not text.isdigit() or "19" <= text[:2] <= "20"
    found = _THREE.fullmatch(text)
    if found:
        return len(found[4]) in (2, 4) or len(found[1]) == 4
    return bool(_NAMED.fullmatch(text))


def day_parts(text: str) -> tuple[int, int, str] | None:
    """First and second number of a day that ends in its year, and the year as written."""
    found = _THREE.fullmatch(text)
    if not found or len(found[1]) > 2 or len(found[4]) not in (2, 4):
        return None
    return int(found[1]), int(found[3]), found[4]


def _is_pseudonym(text: str) -> bool:
    return len(text) <= 40 and " " not in text and not is_day(text) and not _POINT.fullmatch(text)


def _is_within(text: str, low: float | None, high: float | None) -> bool:
    if not _NUMBER.fullmatch(text):
        return False
    number = float(re.sub(r"[^\d.+-]", "", text.replace(",", ".")).strip(".") or "nan")
    return (low is None or number >= low) and (high is None or number <= high)


Piece = tuple[str, pa.ChunkedArray, np.ndarray]  # file, cells and their lines


def look_of(header: str, pieces: Sequence[Piece]) -> Look:
    """One column over several files, the newest first; its texts are trimmed."""
    counted: dict[str, int] = {}
    first: dict[str, tuple[str, int]] = {}
    for piece in pieces:
        _count(piece, counted, first)
    texts = tuple(counted)
    _, newest, newest_lines = pieces[0]
    filled = _filled(newest)
    said = identifiers.in_header(header, to_id=True) or identifiers.in_content(
        _together(pieces), pseudonyms=True
    )
    return Look(
        header=header,
        texts=texts,
        counts=tuple(counted.values()),
        places=tuple(first[text] for text in texts),
        unique=bool(filled.any()) and _distinct(newest) >= 0.98 * filled.sum(),
        lines=tuple(int(line) for line in newest_lines[filled][:SHOWN_LINES]),
        cells=sum(len(column) for _, column, _ in pieces),
        suspect=said,
    )


def _filled(column: pa.ChunkedArray) -> np.ndarray:
    trimmed = pc.utf8_trim_whitespace(column)
    return pc.fill_null(pc.not_equal(trimmed, ""), False).to_numpy(zero_copy_only=False).astype(bool)


def _distinct(column: pa.ChunkedArray) -> int:
    trimmed = pc.utf8_trim_whitespace(column)
    return len([text for text in pc.unique(trimmed).to_pylist() if text])


def _together(pieces: Sequence[Piece]) -> pa.ChunkedArray:
    return pa.chunked_array([chunk for _, column, _ in pieces for chunk in column.chunks], pa.string())


def _count(piece: Piece, counted: dict[str, int], first: dict[str, tuple[str, int]]) -> None:
    file, column, lines = piece
    trimmed = pc.utf8_trim_whitespace(column)
    one = trimmed.combine_chunks() if isinstance(trimmed, pa.ChunkedArray) else trimmed
    encoded = (
        pa.concat_arrays(one.chunks).dictionary_encode()
        if isinstance(one, pa.ChunkedArray)
        else one.dictionary_encode()
    )
    codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False)
    known = np.flatnonzero(codes >= 0)
    places, at, counts = np.unique(codes[known], return_index=True, return_counts=True)
    for place, where, count in zip(places, at, counts, strict=True):
        text = encoded.dictionary[int(place)].as_py()
        if text:
            counted[text] = counted.get(text, 0) + int(count)
            first.setdefault(text, (file, int(lines[known[where]])))
