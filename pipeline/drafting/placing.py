"""Which table a group of files holds, and which header feeds which column: proposals with their reasons."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.drafting.groups import Group
from pipeline.drafting.looks import Look
from pipeline.drafting.phrases import best_phrase, phrases, tokens
from pipeline.validate import words
from schemas.columns import Column
from schemas.exports import DAY_COLUMN, EXPORTS, ID_COLUMN

LEAST_HEADER, LEAST, TIE = 0.55, 0.75, 0.08
MOST_WORDS = 20
#: Tables that fit less than this well are not proposed; two that differ less than MARGIN are a question.
LEAST_TABLE, MARGIN = 0.75, 0.1
_POINTERS = ("operation_id", "planned_with")


@dataclass(frozen=True)
class Knowledge:
    """What is known beyond one group: words of the catalogue by column, ids of the operations."""

    places: Mapping[str, frozenset[str]]
    operations: frozenset[str] = frozenset()
    patients: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Fit:
    """How well a header feeds a column, and why."""

    score: float
    header: float
    why: str


@dataclass(frozen=True)
class Placed:
    """A table for a group.

    Attributes:
        table: Its name; `score` says how well it fits.
        columns: Column → headers (several only if no file has two of them) and why.
        questions: Column → headers that fit equally well.
        measures: Header → word, where every one of them is a column of readings.
    """

    table: str
    score: float
    columns: dict[str, tuple[tuple[Look, ...], str]]
    questions: dict[str, tuple[Look, ...]] = field(default_factory=dict)
    measures: dict[str, str] = field(default_factory=dict)

    @property
    def used(self) -> set[str]:
        return {look.header for looks, _ in self.columns.values() for look in looks} | set(self.measures)

    @property
    def lacking(self) -> list[str]:
        """Required columns that nothing feeds."""
        made = {"measure", "value"} if self.measures else set()
        return [
            name
            for name in EXPORTS[self.table].required
            if name not in self.columns and name not in made and name not in self.questions
        ]


def candidates(group: Group, known: Knowledge) -> list[Placed]:
    """Every table the group may hold, the best first."""
    found = [placed_in(group, table, known) for table in EXPORTS]
    return sorted(found, key=lambda placed: -placed.score)


def placed_in(group: Group, table: str, known: Knowledge) -> Placed:
    """The columns of one table as far as the group's headers and cells show them."""
    looks = [look for look in group.looks if not look.suspect]
    measures = _measures(looks) if table == "measurements" else {}
    free = [look for look in looks if look.header not in measures]
    skipped = {"measure", "value"} if measures else set()
    fits = {
        (column.name, look.header): fit
        for column in EXPORTS[table].columns
        if column.name not in skipped
        for look in free
        if (fit := _fit(look, table, column, known)) is not None
    }
    columns, questions = _assigned(group, table, {look.header: look for look in free}, fits)
    columns |= _by_elimination(table, free, columns, questions, known, skipped)
    placed = Placed(table, 0.0, columns, questions, measures)
    return Placed(table, _table_score(group, placed), columns, questions, measures)


def _measures(looks: Iterable[Look]) -> dict[str, str]:
    """Headers that name a motion and hold numbers → the motion; none if two headers name one motion."""
    found: dict[str, str] = {}
    for look in looks:
        said = tokens(look.header)
        best = max(((best_phrase(said, listed)[0], word) for word, listed in phrases().measures.items()))
        if best[0] >= 0.9 and (look.number >= 0.9 or not look.filled):
            found[look.header] = best[1]
    return found if len(set(found.values())) == len(found) else {}


def _fit(look: Look, table: str, column: Column, known: Knowledge) -> Fit | None:
    """Score of a header for a column; None if its cells cannot be that."""
    content = _content(look, table, column, known)
    if content is None:
        return None
    likeness, phrase = best_phrase(tokens(look.header), phrases().columns[table][column.name])
    bonus, shown = content
    said = f"header says {' '.join(phrase)}" if likeness >= LEAST_HEADER else ""
    why = "; ".join(part for part in (shown, said) if part)
    return Fit(likeness + bonus, likeness, why)


def _content(look: Look, table: str, column: Column, known: Knowledge) -> tuple[float, str] | None:
    """What the cells add, and the sentence for it; None if they speak against the column."""
    if not look.filled:
        return (0.0, "no filled cell") if column.name != ID_COLUMN[table] else None
    if column.kind in ("date", "moment"):
        return _days(look)
    if look.is_days:
        return None
    if column.kind == "id":
        return _ids(look, table, column, known)
    vocabulary = column.vocabulary or known.places.get(column.name, ())
    if vocabulary:
        return _words(look, column.name, vocabulary)
    return _plain(look, column)


def _of(count: int, look: Look, what: str) -> str:
    return f"{count} of {look.filled} filled cells {what}"


def _days(look: Look) -> tuple[float, str] | None:
    if look.is_days:
        return 0.3, _of(look.dates, look, "are days")
    if look.is_serials:
        return 0.1, "five-digit numbers, perhaps days of a spreadsheet"
    return (0.0, _of(look.dates, look, "are days")) if look.dates >= 0.5 * look.filled else None


def _ids(look: Look, table: str, column: Column, known: Knowledge) -> tuple[float, str] | None:
    if look.pseudonyms < 0.8:
        return None
    if column.name == ID_COLUMN[table]:
        if table != "operations" and look.within(known.operations) >= 0.5:
            return None
        return (0.2, "every cell differs") if look.unique else (-0.2, "cells repeat")
    if column.name in _POINTERS and known.operations:
        return _pointer(look, known.operations, "are ids of operations")
    if column.name == "patient_id" and known.patients and table != "operations":
        return _pointer(look, known.patients, "are patients of operations")
    return 0.1, "short texts without blanks"


def _pointer(look: Look, ids: frozenset[str], what: str) -> tuple[float, str]:
    share = look.within(ids)
    return (0.5 if share >= 0.8 else 0.1 if share >= 0.3 else 0.0), _of(
        look.fitting(lambda text: text in ids), look, what
    )


def _words(look: Look, name: str, vocabulary: Iterable[str]) -> tuple[float, str] | None:
    share = (
        look.share(lambda text: all(words.plain_word(part) in understood for part in text.split(";")))
        if (understood := _understood(name, vocabulary))
        else 0.0
    )
    shown = f"{share:.0%} of {look.filled} filled cells are its words"
    if share >= 0.9:
        return 0.4, shown
    if len(look.texts) > MOST_WORDS or look.number >= 0.9:
        return None
    return (0.2 if share >= 0.3 else 0.0), shown


def _understood(name: str, vocabulary: Iterable[str]) -> frozenset[str]:
    from pipeline.drafting.looks import understood_words

    return understood_words(name, vocabulary)


def _plain(look: Look, column: Column) -> tuple[float, str] | None:
    if column.kind in ("integer", "number"):
        share = look.in_range(column.low, column.high)
        if column.kind == "integer" and look.whole < 0.5:
            share = 0.0
        if share >= 0.9:
            return 0.2, f"{share:.0%} of {look.filled} filled cells are numbers in its range"
        return (0.0, "some cells are no numbers in its range") if share >= 0.5 else None
    if column.kind == "yes_no":
        shown = f"{look.yes_no:.0%} of {look.filled} filled cells say yes or no"
        return (0.3, shown) if look.yes_no >= 0.9 else ((0.0, shown) if len(look.texts) <= 6 else None)
    if column.kind == "code":
        return (0.2 if look.code >= 0.6 else 0.0, "") if look.prose < 0.2 else None
    if column.kind == "note":
        return (0.2, "sentences") if look.prose >= 0.1 else ((0.0, "") if look.number < 0.9 else None)
    return (0.0, f"{len(look.texts)} different texts") if look.number < 0.9 else None


def _assigned(
    group: Group, table: str, looks: Mapping[str, Look], fits: Mapping[tuple[str, str], Fit]
) -> tuple[dict[str, tuple[tuple[Look, ...], str]], dict[str, tuple[Look, ...]]]:
    """Best pairs first; a header feeds one column, a column is fed by one header or a question."""
    good = {pair: fit for pair, fit in fits.items() if fit.header >= LEAST_HEADER and fit.score >= LEAST}
    columns: dict[str, tuple[tuple[Look, ...], str]] = {}
    questions: dict[str, tuple[Look, ...]] = {}
    taken: set[str] = set()
    for (column, header), fit in sorted(good.items(), key=lambda each: (-each[1].score, each[0])):
        if column in columns or column in questions or header in taken:
            continue
        rivals = [
            other
            for (name, other), its in good.items()
            if name == column
            and other != header
            and other not in taken
            and its.score > fit.score - TIE
            and its.score >= max(good[pair].score for pair in good if pair[1] == other) - TIE
        ]
        if any(group.together(header, rival) for rival in rivals):
            questions[column] = tuple(looks[name] for name in (header, *rivals))
            taken |= {header, *rivals}
            continue
        columns[column] = (tuple(looks[name] for name in (header, *rivals)), fit.why)
        taken |= {header, *rivals}
    return columns, questions


def _by_elimination(
    table: str,
    looks: Sequence[Look],
    columns: Mapping[str, tuple[tuple[Look, ...], str]],
    questions: Mapping[str, tuple[Look, ...]],
    known: Knowledge,
    skipped: set[str],
) -> dict[str, tuple[tuple[Look, ...], str]]:
    """Columns that only one header without a column can feed, whatever it is called."""
    taken = {look.header for placed, _ in columns.values() for look in placed}
    taken |= {look.header for listed in questions.values() for look in listed}
    free = [look for look in looks if look.header not in taken and look.filled]
    found: dict[str, tuple[tuple[Look, ...], str]] = {}
    asked = [name for name in (ID_COLUMN[table], DAY_COLUMN.get(table, "")) if name]
    for name in asked:
        only = [look for look in free if _can_only_be(look, table, name, known)]
        if name not in columns and name not in questions and len(only) == 1:
            found[name] = ((only[0],), _ONLY[name == ID_COLUMN[table]])
            free.remove(only[0])
    for look in free:
        names = [
            column.name
            for column in EXPORTS[table].columns
            if (vocabulary := column.vocabulary or known.places.get(column.name, ()))
            and _share_of_words(look, column.name, vocabulary) >= 0.9
        ]
        telling = [
            name for name in names if name not in columns and name not in questions and name not in found
        ]
        if len(names) == 1 and telling and telling[0] not in skipped and len(look.texts) > 1:
            found[telling[0]] = ((look,), "all its cells are words of this column only")
    return found


_ONLY = ("the only column of days left", "the only column left in which every cell differs")


def _can_only_be(look: Look, table: str, name: str, known: Knowledge) -> bool:
    if name == ID_COLUMN[table]:
        own = look.unique and look.pseudonyms >= 0.9 and look.filled >= 5 and not look.is_days
        return own and not look.within(known.operations) and not look.number >= 0.9
    return look.is_days


def _share_of_words(look: Look, name: str, vocabulary: Iterable[str]) -> float:
    understood = _understood(name, vocabulary)
    return look.share(lambda text: words.plain_word(text) in understood)


def _table_score(group: Group, placed: Placed) -> float:
    """Half for required columns found, most for headers explained, the rest for what file and sheet are called."""
    required = EXPORTS[placed.table].required
    coverage = 1 - len(placed.lacking) / len(required)
    explained = len(placed.used) + sum(len(listed) for listed in placed.questions.values())
    named = {*tokens(group.pattern.rpartition(".")[0]), *tokens(group.sheet)}
    bonus = 0.5 if named & set(phrases().tables[placed.table]) else 0.0
    return 0.5 * coverage + 0.8 * explained / max(len(group.looks), 1) + bonus
