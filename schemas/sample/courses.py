"""What goes wrong in the first year, one function a course, and how often after which operation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from schemas.sample import letters
from schemas.sample.chronicle import Chronicle, Rows
from schemas.sample.people import BICEPS, LAST_DAY, LIGAMENT, OPERATIONS, TUBERCLE

Days = np.ndarray
Tell = Callable[[Chronicle, Rows, Days], None]

# the network's own codes, for later operations and for what no coded diagnosis says well
MANIPULATION, RELEASE, REMOVAL, FIXATION, WASHOUT = "RE01", "RE02", "RE03", "RE04", "RE05"
REFIXATION, NON_UNION_REPAIR = "RE06", "RE07"
WOUND, NERVE, LOSS, NON_UNION, PAIN = "LX10", "LX20", "LX40", "LX50", "LX60"

_CODES = np.array([operation.code for operation in OPERATIONS])


@dataclass(frozen=True)
class Course:
    """`first` day is drawn from these days; nothing of it is later than `span` days after that."""

    tell: Tell
    first: tuple[int, int]
    span: int = 0


def letter(told: Chronicle, rows: Rows, sentences: tuple[str, ...]) -> np.ndarray:
    """A sentence for each row, with side and joint filled in."""
    sentence = np.array(sentences, dtype=object)[told.rng.integers(0, len(sentences), len(rows))]
    joint = np.where(told.knee(rows), "kneecap", "shoulder")
    side = told.cases["side"].to_numpy()[rows]
    return np.array(
        [s.format(side=a, joint=j) for s, a, j in zip(sentence, side, joint, strict=True)], dtype=object
    )


def beyond(told: Chronicle, rows: Rows, days: Days, between: tuple[int, int] = (102, 114)) -> None:
    """A passive reading past the limit at a visit: knee flexion under 120 or forward flexion under 120 degrees."""
    measure = np.where(told.knee(rows), "flexion", "forward_flexion")
    told.reading(rows, days, measure, told.draw(*between, rows).astype(float))
    told.seen(rows, days)


def stiff(told: Chronicle, rows: Rows, day: Days, between: tuple[int, int] = (102, 114)) -> None:
    """Two visits far enough apart; the first reading is the day."""
    beyond(told, rows, day, between)
    beyond(told, rows, day + told.draw(70, 95, rows), between)
    told.expect(rows, day, "stiffness", "persistent", "measurement")
    told.expect(rows, day, "stiffness", "single_reading", "measurement")


def released(told: Chronicle, rows: Rows, day: Days) -> None:
    """Severely stiff (knee under 90, shoulder under 100 degrees), then freed under anaesthesia: also a return."""
    stiff(told, rows, day, between=(72, 86))
    told.expect(rows, day, "stiffness", "severe", "measurement")
    freed = day + 95 + told.draw(10, 50, rows)
    code = np.where(told.knee(rows), MANIPULATION, np.where(told.some(rows, 0.6), RELEASE, MANIPULATION))
    told.back_to_theatre(rows, freed, code, reason="stiffness")
    told.expect(rows, freed, "stiffness", "treated", "return")
    told.expect(rows, freed, "revision", "any_return", "return")


def broken_bone(told: Chronicle, rows: Rows) -> tuple[np.ndarray, np.ndarray]:
    """Bone and injury code (first encounter) of a fracture where the operation was fixed."""
    operation = told.operation[rows]
    bone = np.select([operation == LIGAMENT, operation == TUBERCLE, operation == BICEPS],
                     ["patella", "tibia", "humerus"], "clavicle")  # fmt: skip
    code = np.select(
        [bone == "patella", bone == "tibia", bone == "humerus"],
        [told.sided(rows, "S82.00{}A"), told.sided(rows, "S82.10{}A"), told.sided(rows, "S42.30{}A")],
        told.sided(rows, "S42.02{}A"),
    )
    return bone, code


def fractured(told: Chronicle, rows: Rows, day: Days) -> None:
    """Broken through hole, cut or plate end, treated in a brace; the code comes again at a later visit."""
    bone, code = broken_bone(told, rows)
    energy = np.where(told.some(rows, 0.7), "low", "high")
    told.event(rows, day, code=code, bone=bone, joint="", through_fixation_site="yes", energy=energy, management="brace",
               source="radiology", severity_grade="II", note=letter(told, rows, letters.CRACKED))  # fmt: skip
    again = np.array([f"{c[:-1]}D" for c in code], dtype=object)
    told.event(rows, day + 30, code=again, bone=bone, joint="", source="coded", names_operation=True)
    told.expect(rows, day, "fixation_site_fracture", "any", "field")
    told.expect(rows[energy == "low"], day[energy == "low"], "fixation_site_fracture", "low_energy", "field")


def fractured_and_fixed(told: Chronicle, rows: Rows, day: Days) -> None:
    bone, code = broken_bone(told, rows)
    told.event(rows, day, code=code, bone=bone, joint="", through_fixation_site="yes", energy="low",
               management="theatre", source="radiology", severity_grade="IIIb", names_operation=True,
               note=letter(told, rows, letters.CRACKED))  # fmt: skip
    fixed = day + told.draw(0, 3, rows)
    told.back_to_theatre(rows, fixed, FIXATION, reason="fixation_site_fracture", urgency="urgent")
    told.expect(rows, day, "fixation_site_fracture", "any", "field")
    told.expect(rows, day, "fixation_site_fracture", "low_energy", "field")
    told.expect(rows, fixed, "revision", "any_return", "return")


def cracked_in_theatre(told: Chronicle, rows: Rows, day: Days) -> None:
    bone, code = broken_bone(told, rows)
    told.event(rows, day, code=code, bone=bone, joint="", through_fixation_site="yes", energy="none",
               source="theatre", severity_grade="II", names_operation=True)  # fmt: skip
    told.expect(rows, day, "fixation_site_fracture", "any", "field")


def dislocation_code(told: Chronicle, rows: Rows) -> np.ndarray:
    return np.where(
        told.knee(rows), told.sided(rows, "S83.00{}A", "4", "5"), told.sided(rows, "S43.00{}A", "4", "5")
    )


def out_again(
    told: Chronicle, rows: Rows, day: Days, sentences: tuple[str, ...] = letters.DISLOCATED
) -> None:
    """A dislocation others reduced."""
    told.event(rows, day, code=dislocation_code(told, rows), instability_level=1, reduced_by="others", source="coded",
               management="closed_reduction", severity_grade="II",
               note=letter(told, rows, sentences))  # fmt: skip


def dislocated(told: Chronicle, rows: Rows, day: Days) -> None:
    out_again(told, rows, day)
    told.expect(rows, day, "instability", "primary", "code")
    told.expect(rows, day, "instability", "strict", "code")


def dislocated_twice(told: Chronicle, rows: Rows, day: Days) -> None:
    dislocated(told, rows, day)
    second = day + told.draw(30, 110, rows)
    out_again(told, rows, second, letters.DISLOCATED_AGAIN)
    told.expect(rows, day, "instability", "repeated", "code")


def stabilised_anew(told: Chronicle, rows: Rows, day: Days) -> None:
    """Dislocated, then the same problem operated on again: a return that redoes the repair."""
    dislocated(told, rows, day)
    redone = day + told.draw(35, 90, rows)
    told.back_to_theatre(rows, redone, _CODES[told.operation[rows]], reason="instability")
    told.expect(rows, redone, "revision", "any_return", "return")
    told.expect(rows, redone, "revision", "redone", "return")


def put_back_alone(told: Chronicle, rows: Rows, day: Days) -> None:
    told.event(
        rows, day, instability_level=2, reduced_by="self", note=letter(told, rows, letters.SELF_REDUCED)
    )
    told.expect(rows, day, "instability", "primary", "field")


def slipped(told: Chronicle, rows: Rows, day: Days) -> None:
    told.event(
        rows, day, instability_level=3, reduced_by="spontaneous", note=letter(told, rows, letters.SUBLUXED)
    )
    told.expect(rows, day, "instability", "primary", "field")


def infected(told: Chronicle, rows: Rows, day: Days) -> None:
    told.event(rows, day, code="T81.41XA", source="coded", management="medication", severity_grade="II")
    told.expect(rows, day, "infection", "any", "code")


def washed_out(told: Chronicle, rows: Rows, day: Days) -> None:
    told.event(rows, day, code="T81.42XA", source="coded", management="theatre", severity_grade="IIIb",
               names_operation=True)  # fmt: skip
    washed = day + told.draw(0, 2, rows)
    told.back_to_theatre(rows, washed, WASHOUT, reason="infection", urgency="urgent")
    told.expect(rows, day, "infection", "any", "code")
    told.expect(rows, washed, "revision", "any_return", "return")


def screws_out(told: Chronicle, rows: Rows, day: Days) -> None:
    """Sore metal taken out, not planned."""
    told.back_to_theatre(rows, day, REMOVAL, reason="hardware_problem", planned="no")
    told.expect(rows, day, "hardware_problem", "any", "return")
    told.expect(rows, day, "revision", "any_return", "return")


def nerve_hurt(told: Chronicle, rows: Rows, day: Days) -> None:
    code = np.where(told.knee(rows), NERVE, told.sided(rows, "S44.4{}XA"))
    told.event(rows, day, code=code, code_system=np.where(told.knee(rows), "local", ""), severity_grade="I")
    told.expect(rows, day, "nerve_injury", "any", "code")


def clotted(told: Chronicle, rows: Rows, day: Days) -> None:
    told.event(rows, day, code="I26.99", side="", joint="", names_operation=True, source="coded",
               management="medication", severity_grade="II")  # fmt: skip
    told.expect(rows, day, "thromboembolism", "any", "code")


def _own_code(code: str, category: str) -> Tell:
    def tell(told: Chronicle, rows: Rows, day: Days) -> None:
        told.event(rows, day, code=code, code_system="local")
        told.expect(rows, day, category, "any", "code")

    return tell


def _own_code_then_redone(code: str, category: str, again: str) -> Tell:
    """The return proves what the code said; its day is that of the code."""

    def tell(told: Chronicle, rows: Rows, day: Days) -> None:
        told.event(rows, day, code=code, code_system="local")
        told.expect(rows, day, category, "any", "return")
        redone = day + told.draw(35, 80, rows)
        told.back_to_theatre(rows, redone, again, reason=category)
        told.expect(rows, redone, "revision", "any_return", "return")
        told.expect(rows, redone, "revision", "redone", "return")

    return tell


def burning(told: Chronicle, rows: Rows, day: Days) -> None:
    """A regional pain syndrome."""
    code = np.where(told.knee(rows), told.sided(rows, "G90.52{}"), told.sided(rows, "G90.51{}"))
    told.event(rows, day, code=code, names_operation=True)
    told.expect(rows, day, "pain_syndrome", "any", "code")


COURSES: dict[str, Course] = {
    "stiff": Course(stiff, (92, 118), 95),
    "released": Course(released, (92, 118), 145),
    "fractured": Course(fractured, (5, 150), 30),
    "fractured_and_fixed": Course(fractured_and_fixed, (5, 150), 3),
    "cracked_in_theatre": Course(cracked_in_theatre, (0, 0)),
    "dislocated": Course(dislocated, (40, 350)),
    "dislocated_twice": Course(dislocated_twice, (40, 240), 110),
    "stabilised_anew": Course(stabilised_anew, (40, 270), 90),
    "put_back_alone": Course(put_back_alone, (40, 350)),
    "slipped": Course(slipped, (40, 350)),
    "infected": Course(infected, (6, 27)),
    "washed_out": Course(washed_out, (6, 27), 2),
    "screws_out": Course(screws_out, (100, 350)),
    "nerve_hurt": Course(nerve_hurt, (1, 12)),
    "clotted": Course(clotted, (4, 28)),
    "wound": Course(_own_code(WOUND, "wound_or_haematoma"), (2, 20)),
    "loose": Course(_own_code(LOSS, "repair_failure"), (20, 250)),
    "loose_and_redone": Course(_own_code_then_redone(LOSS, "repair_failure", REFIXATION), (20, 250), 80),
    "ununited": Course(_own_code(NON_UNION, "non_union"), (185, 340)),
    "ununited_and_redone": Course(
        _own_code_then_redone(NON_UNION, "non_union", NON_UNION_REPAIR), (185, 280), 80
    ),
    "sore": Course(_own_code(PAIN, "persistent_pain"), (190, 350)),
    "burning": Course(burning, (40, 160)),
}

_SLIPPING = {"dislocated": 0.16, "dislocated_twice": 0.05, "stabilised_anew": 0.05}
_COMMON = {"infected": 0.06, "washed_out": 0.03, "wound": 0.07, "nerve_hurt": 0.03, "clotted": 0.02, "sore": 0.04,
           "burning": 0.02}  # fmt: skip
_STIFFENING = {"stiff": 0.15, "released": 0.08}
_FREEZING = {"stiff": 0.20, "released": 0.22}  # shoulders
_BREAKING = {"fractured": 0.04, "fractured_and_fixed": 0.04, "cracked_in_theatre": 0.01}

#: How what goes wrong is shared out after each operation, by weight.
MIXTURES: tuple[dict[str, float], ...] = (
    _SLIPPING | _STIFFENING | _COMMON | _BREAKING | {"put_back_alone": 0.07, "slipped": 0.08, "screws_out": 0.03},
    {"dislocated": 0.10, "put_back_alone": 0.03, "slipped": 0.05, "screws_out": 0.25}
    | _STIFFENING | _COMMON | _BREAKING,
    _SLIPPING | _COMMON | {"stiff": 0.05, "slipped": 0.15},
    _SLIPPING | _FREEZING | _COMMON | {"slipped": 0.05, "put_back_alone": 0.05, "loose": 0.04},
    _FREEZING | _COMMON | {"dislocated": 0.08, "slipped": 0.08, "loose": 0.05},
    _FREEZING | _COMMON | _BREAKING | {"loose": 0.12, "screws_out": 0.03},
    _COMMON | _BREAKING | {"loose": 0.25, "loose_and_redone": 0.15, "stiff": 0.2, "released": 0.1},
    _COMMON | {"fractured": 0.04, "fractured_and_fixed": 0.04, "screws_out": 0.30, "ununited": 0.08,
               "ununited_and_redone": 0.06},
)  # fmt: skip
assert len(MIXTURES) == len(OPERATIONS)
#: What the new anchor does: shoulders stiffen until they are freed, anchors stand proud, anchors pull out.
NEW_ANCHOR = {"released": 0.40, "screws_out": 0.25, "loose_and_redone": 0.35}


def tell_courses(told: Chronicle) -> np.ndarray:
    """Tells what goes wrong with which case; the name of each case's course, empty where all went well."""
    names = list(COURSES)
    course, wrong = _drawn_courses(told, names), _goes_wrong(told)
    first = np.array([c.first for c in COURSES.values()])[course]
    day = told.rng.integers(first[:, 0], first[:, 1] + 1)
    spans = np.array([c.span for c in COURSES.values()])[course]
    happens = wrong & (told.performed + day + spans <= LAST_DAY)
    for position, name in enumerate(names):
        rows = np.flatnonzero(happens & (course == position))
        if len(rows):
            COURSES[name].tell(told, rows, day[rows])
    return np.where(happens, np.array(names)[course], "")


def _drawn_courses(told: Chronicle, names: list[str]) -> np.ndarray:
    mixtures = (*MIXTURES, NEW_ANCHOR)
    weights = np.array([[mixture.get(name, 0.0) for name in names] for mixture in mixtures])
    cumulated = np.cumsum(weights / weights.sum(axis=1, keepdims=True), axis=1)
    drawn = told.rng.random(len(told.operation))[:, None]
    mixture = np.where(told.cases["new_anchor"], len(MIXTURES), told.operation)
    return np.minimum((cumulated[mixture] < drawn).sum(axis=1), len(names) - 1)


def _goes_wrong(told: Chronicle) -> np.ndarray:
    """Systematic sampling along operation, age and day: every subset comes near to its expected number.

    Cases with the new anchor come last, so that they take nothing away from their neighbours.
    """
    order = np.lexsort((told.performed, told.cases["age"], told.operation, told.cases["new_anchor"]))
    reached = np.floor(np.cumsum(told.cases["risk"].to_numpy()[order]) + told.rng.random())
    chosen = np.zeros(len(order), dtype=bool)
    chosen[order] = np.diff(reached, prepend=0.0) > 0
    return chosen
