"""The draft as text: what is proposed as lines, what is not sure as questions that begin with `# ?`."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

import pyarrow as pa

from pipeline.drafting.groups import Group
from pipeline.drafting.looks import Look, day_parts, understood_words
from pipeline.drafting.phrases import phrases, tokens
from pipeline.drafting.placing import MOST_WORDS, Knowledge, Placed
from pipeline.validate import identifiers, masking, words
from schemas.columns import Column
from schemas.exports import EXPORTS, ID_COLUMN

ASK = "# ? "
LONGEST_WORD, FEWEST_TIMES = 24, 2
SHOWN_PLACES = 3
LONGEST_CODE = 4
#: Columns whose cells may name persons, whatever their header says.
_MAY_NAME = ("operated_by", "reduced_by", "reason", "source")
_CONTROL = re.compile(r"[\x00-\x1f\x7f\u2028\u2029]+")


def quoted(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def remark(text: str) -> str:
    """A text that may stand in a comment."""
    return _CONTROL.sub(" ", text)


def without_identifiers(text: str) -> str:
    """A header or file name as it may be shown."""
    return str(masking.masked(pa.array([remark(text)], pa.string())).texts[0].as_py())


def table_lines(
    group: Group, placed: Placed, known: Knowledge, reading: Mapping[str, tuple[str, str]]
) -> list[str]:
    """The `[[table]]` of a group.

    Args:
        known: Words of the catalogue.
        reading: Keys of this table alone, such as `delimiter`.
    """
    lines = ["[[table]]", f"table = {quoted(placed.table)}", f"file = {quoted(group.pattern)}"]
    if group.sheet:
        lines.append(f"sheet = {quoted(group.sheet)}")
    lines += [f"{key} = {value}  # {remark(why)}" for key, (value, why) in reading.items()]
    lines += _column_lines(placed)
    lines += _question_lines(placed)
    lines += _unpivot_lines(placed)
    for name, (looks, _) in placed.columns.items():
        lines += _cell_lines(EXPORTS[placed.table][name], looks, placed.table, known)
    return [*lines, *_lacking_lines(placed, group.looks)]


def _column_lines(placed: Placed) -> Iterator[str]:
    names = EXPORTS[placed.table].names
    for name in sorted(placed.columns, key=names.index):
        looks, why = placed.columns[name]
        headers = [quoted(look.header) for look in looks]
        value = headers[0] if len(headers) == 1 else f"[{', '.join(headers)}]"
        at = ", ".join(str(line) for line in looks[0].lines)
        yield f"columns.{name} = {value}  # {remark(why)}{f'; lines {at}' if at else ''}"


def _question_lines(placed: Placed) -> Iterator[str]:
    for name, looks in placed.questions.items():
        yield f"{ASK}columns.{name} = {' or '.join(quoted(look.header) for look in looks)}: fit equally well"


def _unpivot_lines(placed: Placed) -> Iterator[str]:
    if placed.measures:
        of = ", ".join(f"{quoted(header)} = {quoted(word)}" for header, word in placed.measures.items())
        yield f'unpivot = {{ column = "measure", value = "value", of = {{ {of} }} }}  # numbers under the name of a motion'


def _lacking_lines(placed: Placed, looks: Sequence[Look]) -> Iterator[str]:
    """Questions for required columns that no header feeds; `looks`: all headers of the group."""
    lacking = placed.lacking
    own = ID_COLUMN[placed.table]
    free = [
        look
        for look in looks
        if look.header not in placed.used and not look.suspect and look.pseudonyms >= 0.8
    ]
    if own in lacking:
        yield _own_id_line(own, [look for look in free if look.unique and not look.is_days])
    if "patient_id" in lacking and own != "patient_id":
        ids = " or ".join(quoted(look.header) for look in free if not look.is_days)
        why = "which of these is the patient?" if ids else "nothing shows which column is the patient"
        yield f"{ASK}columns.patient_id = {ids or quoted('')}  # {why}"
    constants = [name for name in lacking if EXPORTS[placed.table][name].kind not in ("id", "date", "code")]
    for name in lacking:
        if EXPORTS[placed.table][name].kind in ("date", "code"):
            yield f'{ASK}columns.{name} = ""  # required, and no column shows it'
    if constants:
        given = ", ".join(f"{name} = {quoted(_usual(name, placed))}" for name in constants)
        yield f"{ASK}constants = {{ {given} }}  # required, and no column shows it"


def _own_id_line(own: str, different: Sequence[Look]) -> str:
    """The question for a record's own id: which of the headers in which every cell differs, or what makes one."""
    if different:
        headers = " or ".join(quoted(look.header) for look in different)
        return f"{ASK}columns.{own} = {headers}  # every cell differs: which is it?"
    return f'{ASK}id_from = ["", ""]  # no column in which every cell differs for `{own}`: name those that make one'


def _usual(name: str, placed: Placed) -> str:
    """What a lacking column usually is; a question all the same."""
    motion = bool(placed.measures)
    return {"sex": "unknown", "unit": "deg" if motion else "points", "mode": "" if motion else "none"}.get(
        name, ""
    )


def _cell_lines(column: Column, looks: Sequence[Look], table: str, known: Knowledge) -> Iterator[str]:
    """Words that have to be translated, and cells that do not fit."""
    vocabulary = column.vocabulary or known.places.get(column.name, ())
    for look in looks:
        if column.kind == "id":
            yield from _perhaps_names(column, [look])
        elif vocabulary or column.kind == "yes_no":
            yield from _translations(column, look, table, frozenset(vocabulary))
        elif column.kind in ("integer", "number"):
            yield from _missing(column, look)
        elif column.kind in ("date", "moment") and look.dates < look.filled and not look.is_serials:
            odd = [at for text, at in zip(look.texts, look.places, strict=True) if not _is_read(text)]
            yield f"# {column.name}: {look.filled - look.dates} of {look.filled} filled cells are no day{_at(odd)}"


def _is_read(text: str) -> bool:
    from pipeline.drafting.looks import is_day

    return is_day(text) or text.lower() in words.MISSING_WORDS


def _at(places: Sequence[tuple[str, int]]) -> str:
    if not places:
        return ""
    named = ", ".join(f"{without_identifiers(file)} line {line}" for file, line in places[:SHOWN_PLACES])
    return f" ({named}{', …' if len(places) > SHOWN_PLACES else ''})"


def _unknown(
    column: Column, look: Look, vocabulary: frozenset[str]
) -> dict[str, tuple[int, tuple[str, int]]]:
    """Words of the cells that are not understood: how often, and where first."""
    understood = understood_words(column.name, vocabulary) | words.missing_words(column.name, vocabulary)
    if column.kind == "yes_no":
        understood |= {"yes", "no", "y", "n", "true", "false", "t", "f", "1", "0", "ja", "nein", "j"}
    found: dict[str, tuple[int, tuple[str, int]]] = {}
    for text, count, place in zip(look.texts, look.counts, look.places, strict=True):
        for part in text.split(";") if column.kind == "words" else [text]:
            word = part.strip()
            if word and words.plain_word(word) not in understood and word.lower() not in understood:
                found[word] = (found.get(word, (0, place))[0] + count, found.get(word, (0, place))[1])
    return found


def _translations(column: Column, look: Look, table: str, vocabulary: frozenset[str]) -> Iterator[str]:
    unknown = _unknown(column, look, vocabulary)
    if not unknown:
        return
    meant = phrases().words.get(table, {}).get(column.name, {})
    shown = showable(look, {word: count for word, (count, _) in unknown.items()}, column.name, set(meant))
    if shown:
        pairs = ", ".join(f"{quoted(word)} = {quoted(_meant(word, meant, column.name))}" for word in shown)
        counts = ", ".join(f"{remark(word)} {unknown[word][0]}" for word in shown)
        yield f"{ASK}values.{column.name} = {{ {pairs} }}  # how often: {counts}"
    hidden = [unknown[word][1] for word in unknown if word not in shown]
    if hidden:
        yield f"# {column.name}: further words that are not shown here: {len(hidden)}{_at(hidden)}"


def _meant(word: str, meant: Mapping[str, str], column: str) -> str:
    """The usual meaning of a word; sides are never proposed."""
    return "" if column in ("side", "dominant_side") else meant.get(word.lower(), "")


def showable(look: Look, counts: Mapping[str, int], column: str, known: Iterable[str]) -> list[str]:
    """Words of a small vocabulary that may stand in the draft: short, repeated, and no names."""
    if len(look.texts) > MOST_WORDS or look.suspect:
        return []
    personal = column in _MAY_NAME or bool(set(tokens(look.header)) & phrases().people)
    short = [word for word, count in counts.items() if len(word) <= LONGEST_WORD and count >= FEWEST_TIMES]
    if not short:
        return []
    changed = masking.masked(pa.array(short, pa.string())).changed
    familiar = {word.lower() for word in known}
    return [
        word
        for word, masked in zip(short, changed, strict=True)
        if not masked and (word.lower() in familiar or not personal or _is_no_name(word))
    ]


def _is_no_name(word: str) -> bool:
    """Too short for a name or initials, or a short code with something else than letters in it."""
    return len(word) == 1 or (len(word) <= LONGEST_CODE and not word.isalpha())


def _missing(column: Column, look: Look) -> Iterator[str]:
    """Texts in a column of numbers that are none."""
    odd = {
        text: count
        for text, count in zip(look.texts, look.counts, strict=True)
        if not re.match(r"[+<>≥-]?\s*\d", text) and text.lower() not in words.MISSING_WORDS
    }
    shown = [
        word for word in odd if odd[word] >= FEWEST_TIMES and len(word) <= LONGEST_WORD and " " not in word
    ]
    safe = showable(look, odd, column.name, ()) if len(look.texts) <= MOST_WORDS else _codes(shown)
    if safe:
        yield f"{ASK}missing.{column.name} = [{', '.join(map(quoted, safe))}]  # if they say that nothing is known"
    if len(odd) > len(safe):
        yield f"# {column.name}: further texts that are no numbers: {len(odd) - len(safe)}"


def _codes(texts: Iterable[str]) -> list[str]:
    return [text for text in texts if _is_no_name(text)][:MOST_WORDS]


def _perhaps_names(column: Column, looks: Sequence[Look]) -> Iterator[str]:
    """A warning where cells that should be pseudonyms are mostly words."""
    for look in looks:
        if look.share(lambda text: not any(map(str.isdigit, text)) and len(text) > LONGEST_CODE) >= 0.5:
            yield f"# {column.name}: most cells are words without a digit; if they are names, ask for pseudonyms instead"


def unplaced_lines(group: Group, placed: Placed | None) -> Iterator[str]:
    """Headers that feed nothing, with what their cells look like; columns of persons are to be taken out."""
    used = placed.used if placed else set()
    asked = {look.header for looks in placed.questions.values() for look in looks} if placed else set()
    for look in group.looks:
        if look.header in used | asked:
            continue
        said = look.suspect or identifiers.in_header(look.header)
        name = without_identifiers(look.header)
        if said:
            yield f'# Take out at the source: "{name}" seems to hold {said}; a file with such a column is refused.'
        else:
            yield f'# Not placed: "{name}": {described(look)}'
    for header in sorted(group.repeated):
        yield f'# Not placed: "{without_identifiers(header)}" stands twice in one file; ask for two names.'


def described(look: Look) -> str:
    """What a column's cells look like, without any that could point at a person."""
    if not look.filled:
        return "no filled cell"
    kind = next(said for test, said in _KINDS if test(look))
    words_shown = _codes_of(look) if kind == "words" else []
    more = f", among them {', '.join(words_shown)}" if words_shown else ""
    return f"{look.filled} filled cells, {len(look.texts)} different, {kind}{more}"


def _codes_of(look: Look) -> list[str]:
    """Words of the contract and short codes among the cells."""
    known = {word for table in EXPORTS.values() for column in table.columns for word in column.vocabulary}
    shown = showable(look, dict(zip(look.texts, look.counts, strict=True)), "operated_by", known)
    return [remark(word) for word in shown]


_KINDS = (
    (lambda look: look.is_days, "days"),
    (lambda look: look.is_serials, "five-digit numbers, perhaps days of a spreadsheet"),
    (lambda look: look.yes_no >= 0.9 and len(look.texts) <= 4, "yes and no"),
    (lambda look: look.number >= 0.9, "numbers"),
    (lambda look: look.prose >= 0.1, "sentences"),
    (lambda look: len(look.texts) <= MOST_WORDS, "words"),
    (lambda look: look.pseudonyms >= 0.9, "texts without blanks, perhaps ids"),
    (lambda look: True, "texts"),
)


def date_evidence(looks: Iterable[Look]) -> tuple[list[tuple[str, int]], list[tuple[str, int]], int, int]:
    """Places where the first number, and where the second, is above 12; how many such days; with years of two digits."""
    first: list[tuple[str, int]] = []
    second: list[tuple[str, int]] = []
    days = short = 0
    for look in looks:
        for text, count, place in zip(look.texts, look.counts, look.places, strict=True):
            parts = day_parts(text)
            if parts is None:
                continue
            days += count
            short += count if len(parts[2]) == 2 else 0
            if 12 < parts[0] <= 31 and parts[1] <= 12:
                first.append(place)
            elif 12 < parts[1] <= 31 and parts[0] <= 12:
                second.append(place)
    return first, second, days, short
