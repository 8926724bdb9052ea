"""What the stages hand to each other.

A stage imports no other stage; it imports this. Every class is frozen, and no stage changes a frame it was
given. Text lives up to `resolve`; from there on everything is a small integer, and `Labels` says what each
integer stands for. Missing is -1 in an integer column. A calendar day is the number of days since
1970-01-01 (`NO_DAY` where unknown); a day of a case is counted from its operation (day 0).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from schemas.exports import EXPORTS

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

NO_DAY = np.int32(-(2**31))
#: Of a site's first export of a table: none came before it.
FIRST = -1
NEVER = np.int32(2**31 - 1)

SIDES = ("left", "right", "none", "bilateral")
LEFT, RIGHT, UNSIDED, BOTH = 0, 1, 2, 3
SIDE_LETTERS = "LRN"

#: Weakest first; `complications.strength` is the position here.
STRENGTHS = ("possible", "probable", "definite", "confirmed")
#: `complications.status` is the position here.
STATUSES = ("counted", "refuted", "awaiting", "pre_existing", "too_soon", "described", "cannot_occur")
COUNTED, REFUTED, AWAITING = 0, 1, 2


@dataclass(frozen=True)
class Source:
    """One table in one file or sheet as a site sent it: a line of the ledger.

    `removed` are rows left out on a patient's request.
    `rows_read` comes from a count of its own, made before parsing. `refused` is 0 or `rows_read`.
    `table` is empty for a file nobody claimed. `reason` says why something was refused. `entry` tells apart several
    [[table]] entries that feed one table from one file; they are one line of the ledger. `id_scope` is "year" where
    the record ids of its rows begin with the year of their day.
    """

    site: str
    receipt: date
    source_file: str
    sheet: str
    table: str
    sha256: str
    rows_read: int = 0
    non_data: int = 0
    not_selected: int = 0
    refused: int = 0
    reason: str = ""
    removed: int = 0
    entry: int = 0
    id_scope: str = ""

    @property
    def is_used(self) -> bool:
        """Whether any of it goes on: not refused, or refused only in part (rows of one of several sites)."""
        return not self.reason or 0 < self.refused < self.rows_read


@dataclass(frozen=True)
class ControlTotal:
    """A count from outside the export: `rows` of a table or of a file of the same receipt, or the file's `bytes`."""

    site: str
    receipt: date
    source_file: str
    line: int
    table: str
    file: str
    first_day: date | None
    last_day: date | None
    rows: int | None
    bytes: int | None


@dataclass(frozen=True)
class Reading:
    """How a site's mapping says cells are to be read. Empty or `None`: nothing was declared."""

    date_order: str = ""  # "DMY", "MDY", "YMD"
    decimal: str = "."
    timezone: str = ""
    excel_base: int | None = None  # 1900 or 1904
    year_pivot: int | None = None
    id_scope: str = ""  # "year"
    missing: dict[str, tuple[str, ...]] = field(default_factory=dict)  # column → words that mean missing


@dataclass(frozen=True)
class Export:
    """A table as the site's mapping yields it: contract columns, all still text.

    `rows` has one text column per contract column found or given as a constant, plus `site` (text, not
    null: the folder's, or what `site_from` names) and `source_line` (int64). `broken` holds the rows
    that could not be cut into columns, with the same layout where possible, to be held back. `headers` are
    all headers as sent; `unmapped` holds the text of the columns nobody mapped, for the identifier screen only.
    `feeds` says which contract columns a header leads to, also as a piece of an id.
    """

    source: Source
    rows: pa.Table
    broken: pa.Table | None = None
    reading: Reading = Reading()
    headers: tuple[str, ...] = ()
    unmapped: pa.Table | None = None
    feeds: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Intake:
    """All that was received up to `as_of`, in the order site, receipt, file, sheet, table.

    `sources` holds every ledger line, also of refused and unclaimed files; `exports[i].source` is one of them.
    """

    sources: tuple[Source, ...]
    exports: tuple[Export, ...]
    findings: pd.DataFrame
    repairs: pd.DataFrame
    controls: tuple[ControlTotal, ...] = ()


@dataclass(frozen=True)
class Accepted:
    """Typed rows that passed their own file's checks.

    `tables[name]` is an Arrow table with the contract's columns (absent ones all null), `site` (text),
    `source_number` (int32, position in `sources`) and `source_line` (int64). A row's position in it is its `row`,
    by which everything later points back to file and line.
    """

    sources: tuple[Source, ...]
    tables: dict[str, pa.Table]


@dataclass(frozen=True)
class Validated:
    """The split: what goes on, what is held back and why.

    `quarantined[name]` keeps contract columns as (masked) text with `site`, `source_number`, `source_line`.
    Every quarantined row has at least one finding of action quarantine.
    """

    accepted: Accepted
    quarantined: dict[str, pa.Table]
    findings: pd.DataFrame
    repairs: pd.DataFrame


#: How a letter speaks of a complication; a statement's `assertion` is the position here. Only the first proposes one.
ASSERTIONS = ("present", "absent", "hypothetical", "historical", "planned", "uncertain", "other_person")
PRESENT, ABSENT, HYPOTHETICAL, HISTORICAL, INTENDED, UNCERTAIN, OTHER_PERSON = range(7)

#: What became of an accepted row among the versions of its record; `fates[table]` holds positions here.
FATES = ("accepted", "superseded", "duplicate", "withdrawn", "quarantined")
KEPT, SUPERSEDED, DUPLICATE, WITHDRAWN, CONFLICTING = range(5)

#: `operation` of a record that names no operation, one that was not sent, or one of another patient.
NOT_NAMED, NOT_SENT, NOT_THEIRS = -1, -2, -3


@dataclass(frozen=True)
class Facts:
    """Records after versions, merges and the cut, as integers; no text is compared after this.

    Every frame has `row` (position in the accepted table of that name), `site`, `patient` and, but for `patients`,
    `day` (calendar). `side` is a position in SIDES, -1 if not given. `joint` and `bone` are places of the Lookup.
    Words are positions in the vocabulary of their column. Yes/no is 1, 0 or -1.

    `operations`: one row an operation row of any status; `operation` is its own number, `procedure` a position in the
    Lookup (-1: not in the catalogue), `planned_with` an operation number (or NOT_NAMED, NOT_SENT, NOT_THEIRS).
    It also has `fixation` (position in `fixations`), `by:<column>` (position in `by[column]`) and `where:<group>` (bool).
    `concomitants`: further procedures listed in a row: `operation`, `procedure`. `codes`: every code of a row, own
    (`own` true) or listed: `operation`, `code`; `unisolating[procedure, code]` says which take a case's isolation away.
    `events`: also `operation`, `category`, `level` (-1 main), `specific`, `subsequent`, `code_joint`, `code_side`
    (what the code says; category -1 without one), `coded`, `noted`, `instability_level`, `through`, `energy`, `origin`,
    `severity` (position in SEVERITY_GRADES).
    `followups`: `operation`, `status`, `instability_level`, `noted`, `sport`, `returned` (calendar day), `why_not`.
    `statements`: what notes say, one row a note, category and assertion: `table` (name), `row`, `patient`, `category`,
    `assertion` (position in ASSERTIONS), `side`, `opposite` (bool),
    `place` (-2: elsewhere in the body), `year` (-1), `copied` (bool: an earlier note of the patient says the same),
    `bone`, `through`, `origin` of its record, `begin`, `end` (characters of the sentence in the note). Empty until letters
    are read; `events` then also have `understood`. `measurements`: `operation`, `measure`, `mode`, `value`.
    `patients`: `died`, `moved` (calendar days). `links` and `decisions` name a case by `operation` and `side`
    (`operation` NOT_NAMED where a link says the record belongs to none); links also `table`, `record` (row).
    `decisions`: one row an answer of a reviewer, as `resolve.named_cases` says; `reviewer` is a position in `reviewers`,
    `asked` one in `schemas.people.ASKED` (-1 the usual question).
    """

    operations: pd.DataFrame
    concomitants: pd.DataFrame
    events: pd.DataFrame
    followups: pd.DataFrame
    measurements: pd.DataFrame
    patients: pd.DataFrame
    links: pd.DataFrame
    decisions: pd.DataFrame
    sites: tuple[str, ...]
    surgeons: tuple[str, ...]
    measures: tuple[str, ...]
    codes: pd.DataFrame
    unisolating: np.ndarray
    fixations: tuple[str, ...]
    by: dict[str, tuple[str, ...]]
    patient_hashes: np.ndarray  # (patients,) uint64, the same whatever else was sent
    received: dict[str, np.ndarray]  # table → calendar day of receipt of each accepted row
    reviewers: tuple[str, ...] = ()
    statements: pd.DataFrame | None = None
    sent_before: dict[str, np.ndarray] = field(
        default_factory=dict
    )  # day of the site's export before that one, or FIRST


@dataclass(frozen=True)
class Resolved:
    """Facts, and what happened to each accepted row on the way.

    `fates[table]`: int8 over its rows. `standing[table]`: the rows that stand on the cut.
    `impossible[table]`: accepted rows that together say a patient was operated on after death.
    """

    facts: Facts
    fates: dict[str, np.ndarray]
    standing: dict[str, np.ndarray]
    findings: pd.DataFrame
    impossible: dict[str, np.ndarray] = field(default_factory=dict)


@dataclass(frozen=True)
class Linked:
    """Which case everything belongs to. `case` counts from 0 in the order of case ids of this partition.

    `cases`: as in Cases, before complications are known. `chain`: later operations of a case: `case`, `operation`,
    `row`, `day` (of the case), `role` (position in ROLES), `procedure` (that names the sitting), `reason` (stated, a
    category); all its procedures are in `chain_procedures` (`link`, `procedure`).
    `sitting_holes`: (cases, places) bool, bones in which the first operation made a hole or cut.
    `concomitant`: what else was done at the first sitting: `case`, `procedure`.
    `sitting_limits`: (cases, Lookup.limited) bool, motions that the first operation means to limit.
    `records`: records of a case: `table` (position in RECORD_TABLES), `row`, `record` (position in the facts frame), `case`,
    `day` (of the case; negative: before the operation), `pending` (awaits a link; one row a candidate case, the
    first candidate has `first` true), `why` (position in PENDING, -1).
    `unattributed`: `table`, `row`, `why` (position in UNATTRIBUTED). `shared_visits`: `row`, `case` of follow-ups that are
    contacts of cases without being a record of one. `flow`: `site`, `procedure`, `order`, `count` of every step.
    `members`: the operation rows of each case: `row`, `case`, `day` (of the case), `role` (position in ROLES, OPENS at the
    first sitting), `names` (bool: the row that names its sitting).
    """

    cases: pd.DataFrame
    chain: pd.DataFrame
    chain_procedures: pd.DataFrame
    sitting_holes: np.ndarray
    sitting_limits: np.ndarray
    concomitant: pd.DataFrame
    records: pd.DataFrame
    unattributed: pd.DataFrame
    shared_visits: pd.DataFrame
    flow: pd.DataFrame
    members: pd.DataFrame


#: `status` of operations that took place.
PERFORMED = EXPORTS["operations"]["status"].vocabulary.index("performed")

RECORD_TABLES = ("operations", "events", "followups", "measurements")
ROLES = ("return", "planned", "planned_late", "no_return")
RETURN, PLANNED, PLANNED_LATE, NO_RETURN = range(4)
OPENS = -1
UNATTRIBUTED = ("before", "other_side", "unwatched", "no_operation", "elsewhere")
BEFORE, OTHER_SIDE, UNWATCHED, NO_OPERATION, ELSEWHERE = range(5)
PENDING = (
    "side not given",
    "joint not given",
    "two operations at most 30 days apart",
    "on the day of the operation, not from theatre",
    "named operation was not sent",
    "named operation is another patient's",
    "side or joint disagrees with the named operation",
    "perhaps for another problem",
)
NO_SIDE, NO_JOINT, TWO_OPERATIONS, SAME_DAY, OPERATION_ABSENT, OTHER_PATIENT, DISAGREES, OTHER_PROBLEM = (
    range(8)
)


@dataclass(frozen=True)
class Classified:
    """Complications of the cases of one part.

    `complications` and `assessed`: as in Cases, with the cases of this part; complications also have `pieces`, how many
    rows of `evidence` each rests on. `evidence`: what each row rests on: `case`,
    `category`, `level`, `table` (name), `row` (accepted), `day`, `strength`, `kind` (position in KINDS), `used` (False for
    evidence that counts for nothing: too soon, there before, cannot occur), `pending` (awaits a link).
    `returns`: later operations of cases that are returns or planned: `case`, `day`, `row`, `procedure`, `role`, `reason` (its
    one primary reason, a category, -1). Complications also have `grade` (position in SEVERITY_GRADES, -1) and `parent` (a
    category, -1).
    `also`: like complications: what a record awaiting a link would date earlier than the case's other evidence does.
    `readings`: measurements of a case or awaiting one, also before the operation, without motions meant to be limited:
    `case`, `day`, `row`, `pending`, `measure` (position in Facts.measures), `mode`, `value`.
    `unassessed`: `case`, `category`, `row` (of measurements) where motion was read, but never in the way asked for.
    `died`: (cases,) day of the case. `unread`: records with nothing but a note: `case`, `table`, `row`.
    `decided`: `case`, `category`, `verdict` (position in VERDICTS), `position` of the deciding row of the decisions, how
    many reviewers said `yes` and `no`, and what the first two of them said first, by the order of their names: `one`,
    `two` (1, 0, or -1 where there were not two).
    `heard`: what notes say of each case: `case`, `table`, `row`, `day`, `category`, `assertion`, `side`, `place`, `why` (position
    in UNHEARD: why it is no evidence, HEARD where it is), `pending`, `first`, `begin`, `end`.
    `spoken`: all evidence before it was sorted, also what counts for nothing: as `evidence` without `level` and `used`, with
    `after` (bool: a treatment) and `blocked` (position in STATUSES, -1).
    """

    complications: pd.DataFrame
    also: pd.DataFrame
    assessed: pd.DataFrame
    readings: pd.DataFrame
    unassessed: pd.DataFrame
    evidence: pd.DataFrame
    died: np.ndarray
    unread: pd.DataFrame
    decided: pd.DataFrame
    heard: pd.DataFrame
    spoken: pd.DataFrame
    returns: pd.DataFrame


KINDS = (
    "code",
    "field",
    "reading",
    "return to theatre",
    "later operation",
    "patient's word",
    "patient died",
    "letter",
)
CODE, FIELD, READING, RETURNED, OPERATED, PATIENT_SAID, DEATH, LETTER = range(8)
#: Why a statement is no evidence for a case.
UNHEARD = (
    "not said to be so",
    "about the other side",
    "about another part of the body",
    "dated to a year before the operation",
    "copied from an earlier note",
)
HEARD = -1
VERDICTS = ("yes", "no", "split")
YES, NO, SPLIT = range(3)


@dataclass(frozen=True)
class Labels:
    """What the integers of frames and counts stand for, in the order of their positions."""

    sites: tuple[str, ...]
    groups: tuple[str, ...]  # catalogue procedure keys in precedence order, then the "a+b" of compared pairs
    surgeons: tuple[str, ...]  # "<site>/<id>"; -1 is "unattributed"
    fixations: tuple[str, ...]  # sorted words joined by ";"; -1 is "unknown"
    age_bands: tuple[str, ...]  # "0-24", …, "65+"; -1 is "unknown"
    categories: tuple[str, ...]  # catalogue complication keys in file order, then "any_complication"
    levels: tuple[tuple[str, ...], ...]  # level keys of each category, main level first
    among: tuple[str, ...] = ()  # groups of the settings; a boolean column "among:<name>" each
    by: dict[str, tuple[str, ...]] = field(default_factory=dict)  # column compared by → its values
    measures: tuple[str, ...] = ()  # motions and scores that were sent, in order of their names


@dataclass(frozen=True)
class Cases:
    """Index cases with what happened to each; the input of `count`.

    `cases`, one row a case, sorted by site, operation id and side (so by case_id): `case` (int64, position over all cases),
    `site`, `patient`, `operation` (row in Accepted operations), `performed` (calendar day), `side` (LEFT, RIGHT, UNSIDED),
    `procedure`, `group` (positions in Labels.groups), `surgeon`, `fixation`, `age_band`, `age_years`, `sex`, `asa_class`,
    `prior_operation`, `smoker`, `diabetes` (-1, 0, 1), `isolated` (bool), `known_until` (calendar day to which the site's
    records are complete, at most cut_on), `contact_until` (day of the case of its last contact, 0 if none),
    `records_until` (day of the case to which records reach; less where the patient moved, withdrew or declined),
    `died` (day of the case, NEVER if alive), `urgency`, `sport_level` (positions in their words), `nonoperative_weeks`, and
    the columns `among:<name>` (bool) and `by:<column>` (int) that Labels lists.

    `complications`, one row a case, category and level, sorted by these: `case`, `category`, `level` (positions in Labels),
    `day` (day of the case, -1 unknown: counts in every window), `strength` (-1 without evidence), `status`, `learned`
    (calendar day on which it became known), `late` (bool: an export of the same table, or a month's end before the decision,
    had passed since the month in which it happened), `grade` (position in SEVERITY_GRADES, -1). `any_complication` is among them.

    `returns`, one row a later operation that is a return or planned: `case`, `first` and `to` (procedures, positions in
    Labels.groups), `reason` (category, -1), `planned` (bool), `day` (of the case).

    `answers`, one row a contact after the operation that says whether the patient is back at sport: `case`, `day` (of the case),
    `sport` (position in the words of `return_to_sport`), `returned` (day of the case, NEVER if not told), `why` (position in the
    words of `not_returned_because`, -1), `row`.
    `readings`, one row a passive motion or a score, before or after the operation: `case`, `day`, `measure`, `value`, `row`.

    `assessed`, one row a case and category with `measured` readings that are admissible: `case`, `category`.
    `defined`: (procedures, categories) int8 array over Labels.groups × Labels.categories:
    1 can occur, 0 cannot occur (no hole), -1 not defined for this joint.
    """

    labels: Labels
    cases: pd.DataFrame
    complications: pd.DataFrame
    assessed: pd.DataFrame
    defined: np.ndarray
    returns: pd.DataFrame
    answers: pd.DataFrame
    readings: pd.DataFrame
