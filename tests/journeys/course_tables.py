"""The tables of courses.md, read strictly: each row becomes a `Course`, a word that is not known raises `UnknownWords`.

Nothing here knows what the program does. Days are days of the course; a cell that holds a whole number is such a day.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
COLUMNS = ["#", "course", "operation", "what happened", "expected", "chain", "records, findings"]
NEVER_SENT = "never-sent"

OPERATIONS = {
    "L": "ligament_reconstruction",
    "U": "tubercle_transfer",
    "T": "soft_tissue_tightening",
    "C": "coracoclavicular_reconstruction",
    "P": "clavicle_plate",
    "S": "shoulder_stabilisation",
    "R": "labral_repair",
    "B": "biceps_tenodesis",
    "N": "pelvic_plate",
    "refixation": "refixation",
    "fracture fixation": "fracture_fixation",
    "washout": "washout",
    "wound revision": "wound_revision",
    "haematoma evacuation": "haematoma_evacuation",
    "release": "capsular_release",
    "manipulation": "manipulation_under_anaesthesia",
    "implants out": "implant_removal",
    "debridement": "debridement",
    "uncatalogued": "uncatalogued",
}
SIDES = {"left": "left", "right": "right", "both": "bilateral", "no side": "none"}
PLACES = {
    "kneecap": "patellofemoral",
    "knee": "knee",
    "shoulder": "shoulder",
    "acromioclavicular joint": "acromioclavicular",
    "collar bone": "clavicle",
    "pelvis": "pelvis",
}
MOTIONS = {
    "flexion": "flexion",
    "extension deficit": "extension_deficit",
    "forward flexion": "forward_flexion",
    "external rotation": "external_rotation",
}
VISITS = {
    "seen": "seen",
    "phoned": "remote",
    "did not attend": "did_not_attend",
    "declined": "declined",
    "withdrew": "withdrawn",
    "moved away": "moved",
}
GRADES = ("I", "II", "IIIa", "IIIb", "IVa", "IVb", "V")
OF_EVENTS = {
    **{bone: {"bone": bone} for bone in ("patella", "femur", "tibia", "humerus", "clavicle")},
    "through the hole": {"through_fixation_site": "yes"},
    "not through the hole": {"through_fixation_site": "no"},
    "perhaps through the hole": {"through_fixation_site": "unsure"},
    "high energy": {"energy": "high"},
    "low energy": {"energy": "low"},
    "from theatre": {"source": "theatre"},
    "from radiology": {"source": "radiology"},
    "from another hospital": {"source": "external"},
    "told by the patient": {"source": "patient"},
    "names the operation": {"operation_id": "first"},
    "names the operation of course 1": {"operation_id": "course 1"},
    "names an operation never sent": {"operation_id": NEVER_SENT},
    "second number": {"patient_id": "second"},
    **{f"grade {grade}": {"severity_grade": grade} for grade in GRADES},
}
OF_OPERATIONS = {
    **{word: {"anaesthesia": word} for word in ("general", "regional", "sedation", "local")},
    "no anaesthesia": {"anaesthesia": "none"},
    "anaesthesia not stated": {"anaesthesia": ""},
    "planned with an operation never sent": {"planned": "yes", "planned_with": NEVER_SENT},
    "second number": {"patient_id": "second"},
    **{word: {"status": word} for word in ("booked", "cancelled", "abandoned")},
}
FATES = (
    "new case",
    "planned",
    "awaits",
    "no return",
    "not performed",
    "not in the catalogue",
    "other side",
    "elsewhere",
)
UNATTRIBUTED = ("before", "other side", "unwatched", "no operation", "elsewhere")
WAITS = (
    "side not written",
    "joint not written",
    "operations close together",
    "day of the operation",
    "operation never sent",
    "another patient's operation",
    "disagrees",
)
STRENGTHS = ("possible", "probable", "definite", "confirmed", "?")
STATUSES = (
    "counted", "refuted", "awaiting", "pre_existing", "too_soon", "described", "cannot_occur",
)  # fmt: skip
CATALOGUE = tomllib.loads((ROOT / "schemas" / "catalogue.toml").read_text("utf-8"))["complications"]
LEVELS = {key: tuple(entry.get("levels", {"any": {}})) for key, entry in CATALOGUE.items()}
OPEN = "?"


class UnknownWords(ValueError):
    """A cell of courses.md says something that the legend does not have."""


@dataclass(frozen=True)
class Row:
    """One row of a table that the hospital sends or that people write; `name` as the course calls it."""

    table: str
    day: int
    name: str
    cells: dict[str, str | int]


@dataclass(frozen=True)
class Complication:
    """What is expected of one case, category and level; `day` is None where it is not known."""

    case: str
    category: str
    level: str
    day: int | None
    strength: str
    status: str
    grade: str = ""


@dataclass(frozen=True)
class Course:
    """One row of the tables. `fates`: day of an operation → where it ended, and the rest of what is said of it."""

    number: int
    title: str
    rows: tuple[Row, ...]
    expected: tuple[Complication, ...]
    fates: dict[int, tuple[str, str]]
    group: str = ""
    isolated: bool = True
    unattributed: dict[str, str] = field(default_factory=dict)
    waits: dict[str, str] = field(default_factory=dict)
    findings: frozenset[str] = frozenset()
    observed: dict[str, int | str] = field(default_factory=dict)

    def named(self, table: str) -> list[Row]:
        return [row for row in self.rows if row.table == table]

    def case_rows(self) -> list[tuple[str, Row]]:
        """Side and operation of every case that is expected, the one that names each sitting."""
        first = [row for row in self.named("operations") if row.name == "first"][:1]
        later = [
            row for row in self.named("operations") if self.fates.get(row.day, ("", ""))[0] == "new case"
        ]
        sides = {"bilateral": ("left", "right")}
        return [
            (side, row)
            for row in first + later
            for side in sides.get(str(row.cells["side"]), (str(row.cells["side"]),))
        ]


def courses(text: str) -> list[Course]:
    """All rows of all tables whose header is that of courses."""
    found = [_course(cells) for cells in _table_rows(text)]
    if [course.number for course in found] != list(range(1, len(found) + 1)):
        raise UnknownWords("courses are numbered 1, 2, 3 and so on")
    return found


def _table_rows(text: str) -> Iterator[list[str]]:
    inside = False
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if not line.startswith("|"):
            inside = False
        elif cells == COLUMNS:
            inside = True
        elif inside and set(line) - set("|- "):
            if len(cells) != len(COLUMNS):
                raise UnknownWords(f"{len(cells)} cells instead of {len(COLUMNS)}: {line}")
            yield cells


def _course(cells: list[str]) -> Course:
    number, title, operation, facts, expected, chain, records = cells
    try:
        fates, group, isolated = _chain(chain)
        course = Course(
            int(number),
            title,
            tuple(_numbered([*_first(operation), *(row for fact in _parts(facts) for row in _fact(fact))])),
            tuple(_complication(part) for part in _parts(expected) if part != "nothing"),
            fates,
            group,
            isolated,
            **_accounts(records),
        )
    except UnknownWords as unknown:
        raise UnknownWords(f"course {number}: {unknown}") from None
    if not title or _later_days(course) != sorted(fates):
        raise UnknownWords(f"course {number}: a title, and the chain of every later operation, must be told")
    return course


def _later_days(course: Course) -> list[int]:
    return sorted(row.day for row in course.named("operations") if row.name != "first")


def _parts(cell: str) -> list[str]:
    return [] if cell == "-" else cell.split(" · ")


def _of(word: str, words: dict[str, str]) -> str:
    if word not in words:
        raise UnknownWords(f"`{word}` is none of {', '.join(words)}")
    return words[word]


# ---------------------------------------------------------------- what happened


def _first(cell: str) -> list[Row]:
    """`L + U left`: the operations of day 0 in the catalogue's order; `none` for none."""
    if cell == "none":
        return []
    found = re.fullmatch(r"([LUTCPSRBN])(?: \+ ([LUTCPSRBN]))? (left|right|both|no side)", cell)
    if not found:
        raise UnknownWords(f"operation `{cell}`")
    letters = [letter for letter in found.groups()[:2] if letter]
    return [_operation(0, letter, found[3], [], "first") for letter in letters]


def _operation(day: int, word: str, side: str, details: list[str], name: str = "later") -> Row:
    cells: dict[str, str | int] = {
        "procedure_code": _of(word, OPERATIONS),
        "side": _of(side, SIDES),
        "anaesthesia": "general",
    }
    for detail in details:
        plan = re.fullmatch(r"planned with first on day (-?\d+) as (stage|removal)", detail)
        if plan:
            cells |= {"planned": "yes", "planned_with": "first"}
            cells |= {"planned_on": int(plan[1]), "planned_as": plan[2]}
        elif detail in OF_OPERATIONS:
            cells |= OF_OPERATIONS[detail]
        else:
            raise UnknownWords(f"`{detail}` of an operation")
    return Row("operations", day, name, cells)


def _fact(fact: str) -> list[Row]:
    seen = re.fullmatch(r"seen (\d+)", fact)
    if seen:
        return [Row("followups", int(seen[1]), "visit", {"status": "seen"})]
    found = re.fullmatch(r"day (-?\d+) (.+)", fact)
    if not found:
        raise UnknownWords(f"`{fact}` has no day")
    day, told = int(found[1]), found[2]
    for pattern, reader in _READERS.items():
        matched = re.fullmatch(pattern, told)
        if matched:
            return [reader(day, *matched.groups())]
    raise UnknownWords(f"`{fact}`")


def _visit(day: int, word: str) -> Row:
    return Row("followups", day, "visit", {"status": VISITS[word]})


def _level_at_a_visit(day: int, level: str, place: str) -> Row:
    return Row("followups", day, "visit", {"status": "seen", "instability_level": level} | _place(place))


def _death(day: int) -> Row:
    return Row("patients", day, "death", {"died_on": day})


def _reading(day: int, mode: str, motion: str, value: str, place: str) -> Row:
    cells: dict[str, str | int] = {"measure": MOTIONS[motion], "mode": mode, "value": value, "unit": "deg"}
    return Row("measurements", day, "reading", cells | _place(place))


def _event(day: int, head: str, rest: str) -> Row:
    place, *details = rest.strip().split(", ") if rest.strip() else [""]
    if rest.startswith(","):
        place, details = "", rest.removeprefix(", ").split(", ")
    cells: dict[str, str | int] = {"source": "clinic"} | _head(head) | _place(place)
    for detail in details:
        if detail not in OF_EVENTS:
            raise UnknownWords(f"`{detail}` of an event")
        cells |= OF_EVENTS[detail]
    return Row("events", day, "event", cells)


def _head(head: str) -> dict[str, str | int]:
    kind, _, value = head.partition(" ")
    if kind == "letter":
        return {"note": value.strip('"'), "source": "letter"}
    return {} if kind == "fracture" else {{"code": "code", "level": "instability_level"}[kind]: value}


def _place(place: str) -> dict[str, str | int]:
    """`left knee`, `left`, `knee` (side not written) or nothing."""
    side, _, joint = place.partition(" ")
    if side not in ("left", "right"):
        side, joint = "", place
    return {"side": side, "joint": _of(joint, PLACES) if joint else ""}


def _later_operation(day: int, word: str, side: str, rest: str) -> Row:
    return _operation(day, word, side, rest.removeprefix(", ").split(", ") if rest else [])


def _decision(day: int, reviewer: str, category: str, counts: str, rest: str) -> Row:
    cells: dict[str, str | int] = {"reviewer": reviewer, "category": category.replace(" ", "_")}
    cells |= {"counts": counts, "case_id": "", "decided_on": day}
    for detail in rest.removeprefix(", ").split(", ") if rest else []:
        dated, grade = re.fullmatch(r"dated day (-?\d+)", detail), detail.removeprefix("grade ")
        if dated:
            cells["occurred_on"] = int(dated[1])
        elif grade in GRADES and detail != grade:
            cells["severity_grade"] = grade
        elif detail == "for no such case":
            cells["case_id"] = "no such case"
        else:
            raise UnknownWords(f"`{detail}` of a decision")
    return Row("decisions", day, "decision", cells)


def _link(day: int, reviewer: str, event: str, case: str) -> Row:
    cells: dict[str, str | int] = {"reviewer": reviewer, "table": "events", "record_id": f"event {event}"}
    return Row("links", day, "link", cells | {"case_id": case, "decided_on": day, "reason": "as seen"})


def _merge(day: int, given_up: str, kept: str, undone: str) -> Row:
    cells: dict[str, str | int] = {"patient_id": given_up, "same_as": kept, "by": "office", "decided_on": day}
    return Row("merges", day, "merge", cells | ({"undone_on": int(undone)} if undone else {}))


_CASE = r"left|right|day \d+|course 1|nothing|no such case"
_READERS: dict[str, Callable[..., Row]] = {
    "(" + "|".join(word for word in VISITS if word != "seen") + ")": _visit,
    r"seen, level ([1-5]) ([^,]+)": _level_at_a_visit,
    "died": _death,
    rf"(passive|active) ({'|'.join(MOTIONS)}) (\d+) (.+)": _reading,
    rf"({'|'.join(OPERATIONS)}) (left|right|both)((?:, .+)?)": _later_operation,
    r'(code [A-Z0-9.]+|level [1-5]|fracture|letter "[^"]+")((?: [^,]+)?(?:, .+)?)': _event,
    r"reviewer ([ABC]): (.+?) (yes|no)((?:, .+)?)": _decision,
    rf"reviewer ([ABC]) ties event (\d) to ({_CASE})": _link,
    r"office joins (first|second) to (first|second|unknown)(?:, undone on day (\d+))?": _merge,
}


def _numbered(rows: list[Row]) -> Iterator[Row]:
    """Events and readings get their number in the row of the table."""
    so_far: dict[str, int] = {}
    for row in rows:
        so_far[row.table] = so_far.get(row.table, 0) + 1
        numbered = row.name in ("event", "reading", "visit")
        yield Row(row.table, row.day, f"{row.name} {so_far[row.table]}" if numbered else row.name, row.cells)


# ---------------------------------------------------------------- what is expected


def _complication(part: str) -> Complication:
    found = re.fullmatch(
        r"(?:(left|right|day \d+): )?(.+?) day (\d+|unknown) (\S+) (\S+?)(?: grade (\w+))?", part
    )
    if not found or found[4] not in STRENGTHS or found[5] not in STATUSES:
        raise UnknownWords(f"expected `{part}`")
    if found[6] and found[6] not in GRADES:
        raise UnknownWords(f"grade `{found[6]}`")
    category, level = category_and_level(found[2])
    day = None if found[3] == "unknown" else int(found[3])
    return Complication(found[1] or "", category, level, day, found[4], found[5], found[6] or "")


def category_and_level(words: str) -> tuple[str, str]:
    """`stiffness single reading` → the keys of the catalogue."""
    key = words.replace(" ", "_")
    for category, levels in LEVELS.items():
        level = key.removeprefix(category).strip("_") or "any"
        if key.startswith(category) and level in levels:
            return category, level
    raise UnknownWords(f"category and level `{words}`")


def _chain(cell: str) -> tuple[dict[int, tuple[str, str]], str, bool]:
    fates: dict[int, tuple[str, str]] = {}
    group, isolated = "", True
    for part in _parts(cell):
        fate = re.fullmatch(r"day (\d+) (.+)", part)
        if fate:
            fates[int(fate[1])] = _fate(fate[2])
        elif re.fullmatch(r"group [LUTCPSRBN]\+[LUTCPSRBN]", part):
            group = "+".join(OPERATIONS[letter] for letter in part.removeprefix("group ").split("+"))
        elif part == "not isolated":
            isolated = False
        else:
            raise UnknownWords(f"chain `{part}`")
    return fates, group, isolated


def _fate(told: str) -> tuple[str, str]:
    word, _, why = told.partition(", ")
    if word.startswith("return for "):
        reason = word.removeprefix("return for ")
        return "return", reason if reason == OPEN else category_and_level(_main_level(reason))[0]
    if word not in FATES or (why and (word != "awaits" or why not in WAITS)):
        raise UnknownWords(f"chain `{told}`")
    return word, why


def _main_level(words: str) -> str:
    levels = LEVELS.get(words.replace(" ", "_"), ("",))
    return f"{words} {levels[0]}"


def _accounts(cell: str) -> dict[str, dict[str, str] | dict[str, int | str] | frozenset[str]]:
    unattributed: dict[str, str] = {}
    waits: dict[str, str] = {}
    findings: set[str] = set()
    observed: dict[str, int | str] = {}
    for part in _parts(cell):
        record = re.fullmatch(r"((?:event|reading|visit) \d): (?:(review), )?(.+)", part)
        until = re.fullmatch(r"(contact until|records until|died) (\d+)", part)
        if record and record[3] in (WAITS if record[2] else UNATTRIBUTED):
            (waits if record[2] else unattributed)[record[1]] = record[3]
        elif until:
            observed[until[1]] = int(until[2])
        elif part == "records to the end":
            observed["records until"] = "end"
        elif re.fullmatch(r"finding [a-z_]+", part):
            findings.add(part.removeprefix("finding "))
        else:
            raise UnknownWords(f"records `{part}`")
    return {
        "unattributed": unattributed,
        "waits": waits,
        "findings": frozenset(findings),
        "observed": observed,
    }
