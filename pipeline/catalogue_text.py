"""The catalogue in force in plain words: what `limbaudit catalogue` prints and docs/catalogue.md holds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from pipeline.catalogue import (
    PATIENT_DIED,
    UNPLANNED_RETURN,
    Catalogue,
    Complication,
    Joint,
    Level,
    Measured,
    Procedure,
    PublishedFigure,
)
from pipeline.catalogue_letters_text import letters_section

_INTRODUCTION = """\
# The catalogue

Which operations are audited, what counts as a complication, and which joints there are. A department changes
any of it in its own `catalogue.toml`; `limbaudit catalogue` prints what is then in force. Words in `code` are the
keys used in files and tables. A `*` at the end of a code stands for any ending.
"""

_PROCEDURES = """\
Operations that start a case are listed first. The others matter only after one: an unplanned operation on the
same joint and side is a return to theatre, and what it proves is said with it.
"""

_COMPLICATIONS = """\
*Clear* codes are counted at once where the evidence that counts includes `probable`; *doubtful* codes only ask a
reviewer. A main level is what rates are printed for; the other levels have rows of their own.
`any_complication` is the program's own: whether a case had at least one of those that belong to it.
"""


def markdown(catalogue: Catalogue) -> str:
    """The whole catalogue as Markdown, with what the workspace changed at the top."""
    index = [entry for entry in catalogue.procedures.values() if entry.index]
    later = [entry for entry in catalogue.procedures.values() if not entry.index]
    blocks = [
        _INTRODUCTION,
        *_differences(catalogue),
        "## Operations\n\n" + _PROCEDURES,
        *(_procedure(entry, catalogue) for entry in (*index, *later)),
        "## Complications\n\n" + _COMPLICATIONS,
        *(_complication(entry, catalogue) for entry in catalogue.complications.values()),
        "## Joints\n",
        *(_joint(entry, catalogue) for entry in catalogue.joints.values()),
        *letters_section(catalogue),
    ]
    return "\n".join(blocks)


def _differences(catalogue: Catalogue) -> Iterator[str]:
    lines = [*catalogue.differs, *(str(note["message"]) for note in catalogue.notes)]
    if lines:
        yield _block("## Changed by this workspace", lines)


def _block(title: str, lines: Iterable[str]) -> str:
    return "\n".join([title, "", *(f"- {line}" for line in lines), ""])


def _keys(keys: Iterable[str]) -> str:
    return ", ".join(f"`{key}`" for key in keys)


def _procedure(entry: Procedure, catalogue: Catalogue) -> str:
    return _block(f"### {entry.name} · `{entry.key}`", _procedure_lines(entry, catalogue))


def _procedure_lines(entry: Procedure, catalogue: Catalogue) -> Iterator[str]:
    if entry.index:
        yield "Starts a case" + (f", for the problem `{entry.concerns}`." if entry.concerns else ".")
    yield f"Joint: `{entry.joint}`." if entry.joint else "Joint: that of the case it follows."
    if entry.watch:
        yield f"Records of these places belong to it: {_keys(entry.watch)}."
    if not entry.sided:
        yield "Done in the middle: the side does not matter."
    if entry.holes_in:
        yield f"Makes a hole or cut in: {_keys(entry.holes_in)}."
    elif entry.index:
        yield "Makes no hole or cut in a bone."
    if entry.fixations:
        yield f"Ways of fixation: {_keys(entry.fixations)}."
    yield from _return_lines(entry, catalogue)
    if entry.concomitant:
        yield f"Not isolated with: {_keys(entry.concomitant)}."
    yield from _code_lines("Codes", entry.codes)


def _return_lines(entry: Procedure, catalogue: Catalogue) -> Iterator[str]:
    if entry.implies:
        yield f"As an unplanned return it proves: {_names(entry.implies, catalogue)}."
    if entry.reasons:
        yield f"Usual reason of such a return: {_names([entry.reasons], catalogue)}."
    if entry.redo:
        yield "Counts as the repair done again."


def _names(keys: Iterable[str], catalogue: Catalogue) -> str:
    return ", ".join(f"{catalogue.complications[key].name} (`{key}`)" for key in keys)


def _code_lines(title: str, codes: Mapping[str, Iterable[str]]) -> Iterator[str]:
    for system, patterns in codes.items():
        if listed := _keys(patterns):
            yield f"{title} ({system}): {listed}."


def _complication(entry: Complication, catalogue: Catalogue) -> str:
    lines = [
        *_counting_lines(entry),
        *_level_lines(entry),
        *_evidence_lines(entry, catalogue),
        *_other_lines(entry, catalogue),
    ]
    return _block(f"### {entry.name} · `{entry.key}`", lines)


def _counting_lines(entry: Complication) -> Iterator[str]:
    where = {"records": "the hospital's records", "visit": "a visit of the patient"}[entry.seen_in]
    yield f"Seen in {where}" + (
        f", from day {entry.first_day} after the operation." if entry.first_day else "."
    )
    if entry.windows:
        yield "Windows: " + ", ".join(f"{days} days" for days in entry.windows) + " only."
    if entry.joints:
        yield f"Only for: {_keys(entry.joints)}."
    if not entry.in_any:
        yield "Not part of `any_complication`."
    if entry.needs_hole:
        yield "Cannot occur where the operation made no hole or cut in the bone."
    yield f"Again within {entry.repeated_days} days: the same event."


def _level_lines(entry: Complication) -> Iterator[str]:
    for level in entry.levels if len(entry.levels) > 1 else ():
        main = " (main)" if level.key == entry.main_level else ""
        meaning = "; ".join(_level_words(level)) or "any evidence"
        yield f"Level `{level.key}`{main}: {meaning}."


def _level_words(level: Level) -> Iterator[str]:
    if level.from_day is not None:
        yield f"from day {level.from_day}"
    if level.to_day is not None:
        yield f"up to day {level.to_day}"
    if level.or_visits is not None:
        yield f"or at {level.or_visits} visits" + _apart(level)
    if level.times is not None:
        yield f"{level.times} times or more" + _apart(level)
    if level.threshold:
        yield f"beyond the threshold `{level.threshold}`"
    if level.instability_levels:
        yield "instability level " + ", ".join(str(number) for number in level.instability_levels)
    if level.energy:
        yield f"energy of the injury: {_keys(level.energy)}"
    if level.redo:
        yield "the repair is done again"
    if level.after_operations:
        yield "one of the operations below, on any day"
    if level.described:
        yield "described, not counted"


def _apart(level: Level) -> str:
    return f" at least {level.apart_days} days apart" if level.apart_days is not None else ""


def _evidence_lines(entry: Complication, catalogue: Catalogue) -> Iterator[str]:
    words = {UNPLANNED_RETURN: "any unplanned return to theatre", PATIENT_DIED: "the death of the patient"}
    if entry.implied_by:
        proofs = [words.get(key) or f"{catalogue.procedures[key].name} (`{key}`)" for key in entry.implied_by]
        yield f"Proven by: {', '.join(proofs)}."
    if entry.after_operations:
        yield f"Operations that treat it: {_keys(entry.after_operations)}."
    yield from (_measured_words(item) for item in entry.measured)
    for title, specific in (("Clear codes", True), ("Doubtful codes", False)):
        for level in dict.fromkeys(rule.level for rules in entry.codes.values() for rule in rules):
            at = f" of level `{level}`" if level else ""
            chosen = {
                system: [rule.pattern for rule in rules if (rule.specific, rule.level) == (specific, level)]
                for system, rules in entry.codes.items()
            }
            yield from _code_lines(title + at, chosen)


def _measured_words(item: Measured) -> str:
    return (
        f"{item.joint}, {item.mode} {item.measure.replace('_', ' ')}: " + "; ".join(_limit_words(item)) + "."
    )


def _limit_words(item: Measured) -> Iterator[str]:
    for threshold, (below, above) in item.limits.items():
        ends = [
            f"{word} {limit:g}" for word, limit in (("below", below), ("above", above)) if limit is not None
        ]
        if threshold in item.than_other:
            ends.append(f"{item.than_other[threshold]:g} worse than the other side")
        yield (f"{threshold} " if threshold else "") + " or ".join(ends)


def _other_lines(entry: Complication, catalogue: Catalogue) -> Iterator[str]:
    if entry.otherwise:
        yield f"Evidence where it cannot occur goes to: {_names([entry.otherwise], catalogue)}."
    if entry.reasons_order:
        yield (
            f"One primary reason, the first of: {_names(list(entry.reasons_order), catalogue)}, then all others; among "
            f"what the operation is done for and what was found in the {entry.reason_days} days before it."
        )
    if entry.recurrence_of:
        yield f"A recurrence after operations for {_keys(entry.recurrence_of)}, new after all others: never one figure."
    if entry.parent:
        yield f"Follows from: {_names([entry.parent], catalogue)}."
    if entry.default_grade:
        yield f"Severity unless a reviewer says otherwise: grade {entry.default_grade}."
    for figure in entry.published:
        yield f"Published elsewhere: {_figure(figure)}, {figure.criterion}; {figure.source}."


def _figure(figure: PublishedFigure) -> str:
    if figure.lowest is None or figure.highest is None:
        told = f"{figure.events} of {figure.cases}"
    else:
        told = f"{100 * figure.lowest:g} to {100 * figure.highest:g} %"
    return told + (f" within {figure.window} days" if figure.window else "")


def _joint(entry: Joint, catalogue: Catalogue) -> str:
    lines = []
    if entry.part_of:
        lines.append(f"Part of: `{entry.part_of}`.")
    if parts := catalogue.parts_of(entry.key):
        lines.append(f"Its parts: {_keys(parts)}.")
    if entry.bones:
        lines.append(f"Bones: {_keys(entry.bones)}.")
    return _block(
        f"### {entry.name} · `{entry.key}`", [*lines, *_code_lines("Codes that name it", entry.codes)]
    )
