"""The plain words of the trade as the draft uses them: tokens of headers, phrases of columns, words of cells."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

from schemas.exports import EXPORTS

_TOKENS = re.compile(r"[A-ZÀ-Þ]+(?![a-zß-ÿ])|[A-ZÀ-Þ]?[a-zß-ÿ]+|\d+")
_SOFT = frozenset(("of", "the", "a", "at", "in", "to", "der", "des", "die", "das", "date", "datum"))
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})


def tokens(text: str) -> tuple[str, ...]:
    """Words of a header in lower case: `opDate`, `OP_DATE` and `Op date` are one; umlauts are spelled out."""
    return tuple(found.lower().translate(_UMLAUTS) for found in _TOKENS.findall(text))


@dataclass(frozen=True)
class Phrases:
    """Words of the trade, by what they stand for."""

    tables: dict[str, tuple[str, ...]]
    columns: dict[str, dict[str, tuple[tuple[str, ...], ...]]]
    measures: dict[str, tuple[tuple[str, ...], ...]]
    words: dict[str, dict[str, dict[str, str]]]
    people: frozenset[str]
    months: frozenset[str]


@lru_cache(maxsize=1)
def phrases() -> Phrases:
    """What `schemas/header_words.toml` says, with every column's own name as a phrase of it."""
    told = tomllib.loads(files("schemas").joinpath("header_words.toml").read_text("utf-8"))
    columns = {
        table: {
            name: _listed(name, told["columns"]["any"], told["columns"][table])
            for name in EXPORTS[table].names
        }
        for table in EXPORTS
    }
    measures = {name: tuple(map(tokens, [name, *listed])) for name, listed in told["measures"].items()}
    words = {
        table: {
            column: {spelled: word for word, listed in meanings.items() for spelled in listed}
            for column, meanings in by_column.items()
        }
        for table, by_column in told["words"].items()
    }
    tables = {table: tuple(listed) for table, listed in told["tables"].items()}
    return Phrases(tables, columns, measures, words, frozenset(told["people"]), frozenset(told["months"]))


def _listed(
    name: str, everywhere: dict[str, list[str]], own: dict[str, list[str]]
) -> tuple[tuple[str, ...], ...]:
    return tuple(map(tokens, [name, *own.get(name, ()), *everywhere.get(name, ())]))


def likeness(header: tuple[str, ...], phrase: tuple[str, ...]) -> float:
    """How much a header says a phrase: 1 the same words, else by the share of words they have in common."""
    if not header or not phrase:
        return 0.0
    if header == phrase or "".join(header) == "".join(phrase):
        return 1.0
    said, meant = set(header) - _SOFT, set(phrase) - _SOFT
    if not said or not meant:
        return 0.0
    if said == meant:
        return 0.9 if (set(header) & _SOFT) <= set(phrase) or set(phrase) <= set(header) else 0.6
    common = len(said & meant)
    return 0.75 * common / max(len(said), len(meant))


def best_phrase(
    header: tuple[str, ...], listed: tuple[tuple[str, ...], ...]
) -> tuple[float, tuple[str, ...]]:
    """The likeness of the phrase that fits best, and the phrase."""
    return max(
        ((likeness(header, phrase), phrase) for phrase in listed), key=lambda each: each[0], default=(0.0, ())
    )
