"""The catalogue in force: procedures, complications, joints. Data rules, code only knows the mechanisms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from pipeline.code_matching import CodeIndex, initial_encounter, normalised_code

ANY_COMPLICATION = "any_complication"
ANY_LEVEL = "any"
UNPLANNED_RETURN = "unplanned_return"  # word of `implied_by`
PATIENT_DIED = "patient_died"  # word of `implied_by`: the death of the patient is the evidence


@dataclass(frozen=True)
class Procedure:
    """An operation the department does. Absent `joint`: it takes the joint of the case it follows."""

    key: str
    name: str
    joint: str = ""
    watch: tuple[str, ...] = ()  # joints and bones; the default rule is already applied
    sided: bool = True
    index: bool = False
    precedence: int = 0  # lower names the case
    fixations: tuple[str, ...] = ()
    holes_in: tuple[str, ...] = ()
    concerns: str = ""
    implies: tuple[str, ...] = ()
    reasons: str = ""
    redo: bool = False
    concomitant: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()  # measures of motions it means to limit: not judged after it
    codes: dict[str, tuple[str, ...]] = field(default_factory=dict)  # system → patterns


@dataclass(frozen=True)
class Level:
    key: str
    from_day: int | None = None
    to_day: int | None = None
    or_visits: int | None = None
    apart_days: int | None = None
    threshold: str = ""  # "severe": uses severe_below / severe_above of `measured`
    instability_levels: tuple[int, ...] = ()
    times: int | None = None
    energy: tuple[str, ...] = ()
    redo: bool = False
    after_operations: bool = False
    described: bool = False


@dataclass(frozen=True)
class Measured:
    """Beyond a threshold. `limits` maps a threshold's name ("" is the plain one) to (below, above).

    `than_other` maps one to how much worse than the other side it is, in the measure's unit.
    """

    joint: str
    measure: str
    mode: str = "passive"
    limits: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)
    than_other: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class CodeRule:
    """A code pattern of a complication. `level` is empty for the main level."""

    pattern: str  # as compared: a trailing * matches any ending
    specific: bool
    level: str = ""


@dataclass(frozen=True)
class PublishedFigure:
    """What others published, to stand beside ours: either events of cases, or a range of shares."""

    criterion: str  # what was counted, after which operation
    source: str
    events: int | None = None
    cases: int | None = None
    lowest: float | None = None
    highest: float | None = None
    window: int | None = None  # days; not stated by all


@dataclass(frozen=True)
class Complication:
    key: str
    name: str
    seen_in: str = "records"  # or "visit"
    in_any: bool = True
    first_day: int = 0
    windows: tuple[int, ...] = ()  # empty: all
    main_level: str = ANY_LEVEL
    levels: tuple[Level, ...] = (Level(ANY_LEVEL),)  # main level first
    needs_hole: bool = False
    otherwise: str = ""
    joints: tuple[str, ...] = ()  # empty: every joint
    codes: dict[str, tuple[CodeRule, ...]] = field(default_factory=dict)
    after_operations: tuple[str, ...] = ()
    implied_by: tuple[str, ...] = ()
    reasons_order: tuple[str, ...] = ()  # categories, the first of which is a return's one primary reason
    reason_days: int = 90  # a complication so long before a return may be its reason
    recurrence_of: tuple[str, ...] = ()  # `concerns` of operations after which it is a recurrence
    measured: tuple[Measured, ...] = ()
    repeated_days: int = 90
    parent: str = ""
    default_grade: str = ""
    sided: bool = True  # False: letters may speak of any side and part of the body
    phrases: tuple[str, ...] = ()  # in letters: it is there
    absent_phrases: tuple[str, ...] = ()  # in letters: it is not there
    not_phrases: tuple[str, ...] = ()  # in letters: something else is meant
    elsewhere: bool = False  # it may show in another part of the body than the one operated on
    published: tuple[PublishedFigure, ...] = ()


#: The program's own category is followed as the strictest of its members are.
WHOLE = Complication(ANY_COMPLICATION, "", seen_in="visit")


@dataclass(frozen=True)
class Joint:
    key: str
    name: str = ""
    part_of: str = ""
    bones: tuple[str, ...] = ()
    codes: dict[str, tuple[str, ...]] = field(default_factory=dict)


#: What a cue may say besides an assertion: where a scope ends, that a cue is none, that a list goes on, that
#: nothing of the sentence counts, that there is nothing to report, a side, that a full stop ends no sentence.
LEFT_SIDE, RIGHT_SIDE, BOTH_SIDES, OTHER_SIDE = "left", "right", "both_sides", "other_side"
END, NOT_A_CUE, JOINS, TEMPLATE, NOTHING, ABBREVIATION = (
    "end",
    "not_a_cue",
    "joins",
    "template",
    "nothing",
    "abbreviation",
)


@dataclass(frozen=True)
class Cue:
    """Words of letters that say how something is meant, and how far they reach.

    `says` is one of ASSERTIONS or of the words above. `reaches`: "after", "before", "both" (up to where a scope
    ends), "rest" (of the sentence, wherever scopes end) or "sentence". `at_most`: words between it and what it
    speaks of. `of`: "all", "operations" (phrases of what an unplanned return implies) or "conditions" (the rest).
    `ends`: assertions whose scopes it ends (all if empty).
    """

    key: str
    says: str
    reaches: str = "after"
    words: tuple[str, ...] = ()
    at_most: int | None = None
    of: str = "all"
    ends: tuple[str, ...] = ()


@dataclass(frozen=True)
class BodyWords:
    """Words for a part of the body. `place` is a joint or bone; empty or one not in force: another part."""

    key: str
    words: tuple[str, ...]
    place: str = ""


@dataclass(frozen=True)
class MeasureWords:
    """How letters write a measurement; `<value>` stands where its number does."""

    key: str
    words: tuple[str, ...]


@dataclass(frozen=True)
class CodeMeaning:
    """What a diagnosis code says: the complication and the rule that matched.

    `subsequent`: a later encounter of an injury that may have happened before.
    """

    key: str
    rule: CodeRule
    subsequent: bool = False


@dataclass(frozen=True)
class Catalogue:
    """Everything in file order, built-in entries first.

    `differs` says in words what the workspace added or changed; `notes` are rows for `findings.frame`.
    The look-ups by code normalise it themselves and are meant for unique codes, not for rows.
    """

    procedures: dict[str, Procedure]
    complications: dict[str, Complication]
    joints: dict[str, Joint]
    differs: tuple[str, ...] = ()
    notes: tuple[dict[str, object], ...] = ()
    word_lists: dict[str, tuple[str, ...]] = field(default_factory=dict)
    cues: dict[str, Cue] = field(default_factory=dict)
    body: dict[str, BodyWords] = field(default_factory=dict)
    measures: dict[str, MeasureWords] = field(default_factory=dict)

    @property
    def places(self) -> tuple[str, ...]:
        """Every joint and bone word of the catalogue in force."""
        bones = (bone for joint in self.joints.values() for bone in joint.bones)
        return tuple(dict.fromkeys([*self.joints, *bones]))

    def procedure_of(self, system: str, code: str) -> str | None:
        """The procedure with this code, or None."""
        return _found(self._procedure_codes, system, code)

    def joint_of(self, system: str, code: str) -> str | None:
        """The joint that a code implies, or None."""
        return _found(self._joint_codes, system, code)

    def complication_of(self, system: str, code: str) -> CodeMeaning | None:
        """The complication, level and strength of a diagnosis code, or None.

        The code of a later encounter of an injury (seventh character D, S, …) means what its first encounter
        (A) means, marked `subsequent`, unless the catalogue names the later code itself.
        """
        index = self._complication_codes.get(system.strip())
        if index is None:
            return None
        first = initial_encounter(index.system, normalised_code(index.system, code))
        named = index.exact(code) if first else index[code]
        return named or (_later(index[first]) if first else None)

    def wholes_of(self, place: str) -> tuple[str, ...]:
        """The joints that a joint is part of, nearest first; none for a bone."""
        joint = self.joints.get(place)
        return (joint.part_of, *self.wholes_of(joint.part_of)) if joint and joint.part_of else ()

    def parts_of(self, place: str) -> tuple[str, ...]:
        """The joints that are part of a joint, in file order."""
        return tuple(key for key in self.joints if place in self.wholes_of(key))

    def place_matches(self, one: str, other: str) -> bool:
        """Whether two places may be the same: equal, or a part and its whole. Bones equal only themselves."""
        return one == other or one in self.wholes_of(other) or other in self.wholes_of(one)

    @cached_property
    def _procedure_codes(self) -> dict[str, CodeIndex[str]]:
        return _indexes((entry.codes, key) for key, entry in self.procedures.items())

    @cached_property
    def _joint_codes(self) -> dict[str, CodeIndex[str]]:
        return _indexes((entry.codes, key) for key, entry in self.joints.items())

    @cached_property
    def _complication_codes(self) -> dict[str, CodeIndex[CodeMeaning]]:
        patterns: dict[str, dict[str, CodeMeaning]] = {}
        for key, entry in self.complications.items():
            for system, rules in entry.codes.items():
                meanings = {rule.pattern: CodeMeaning(key, rule) for rule in rules}
                patterns.setdefault(system, {}).update(meanings)
        return {system: CodeIndex(system, meanings) for system, meanings in patterns.items()}


def complication_of(catalogue: Catalogue, key: str) -> Complication:
    """A category's catalogue entry, or the program's own."""
    return WHOLE if key == ANY_COMPLICATION else catalogue.complications[key]


def _indexes(entries: Iterable[tuple[Mapping[str, Iterable[str]], str]]) -> dict[str, CodeIndex[str]]:
    patterns: dict[str, dict[str, str]] = {}
    for codes, key in entries:
        for system, listed in codes.items():
            patterns.setdefault(system, {}).update(dict.fromkeys(listed, key))
    return {system: CodeIndex(system, meanings) for system, meanings in patterns.items()}


def _found(indexes: Mapping[str, CodeIndex[str]], system: str, code: str) -> str | None:
    index = indexes.get(system.strip())
    return index[code] if index else None


def _later(meaning: CodeMeaning | None) -> CodeMeaning | None:
    return replace(meaning, subsequent=True) if meaning else None


def load_catalogue(workspace_file: Path | None = None) -> Catalogue:
    """The built-in catalogue with the workspace's `catalogue.toml` laid over it, if there is one.

    Raises:
        WrongUse: An unknown key, a wrong value, a name that does not exist, or a code listed twice.
    """
    from pipeline.catalogue_reading import read_catalogue

    return read_catalogue(workspace_file)


def markdown(catalogue: Catalogue) -> str:
    """The catalogue in plain words, as `limbaudit catalogue` prints it and docs/catalogue.md holds it."""
    from pipeline.catalogue_text import markdown as written

    return written(catalogue)
