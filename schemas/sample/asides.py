"""What an audit must not count, must leave open, or counts only because a person decided: told of well cases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from schemas.sample import letters
from schemas.sample.chronicle import Chronicle, Rows
from schemas.sample.courses import REMOVAL, Days, Tell, beyond, dislocation_code, letter
from schemas.sample.people import LABRUM, LAST_DAY, LIGAMENT, STABILISATION, TIGHTENING, TUBERCLE

REVIEWERS = ("r1", "r2")
KNEES = (LIGAMENT, TUBERCLE, TIGHTENING)
UNSTABLE = (*KNEES, STABILISATION, LABRUM)
STIFFENING = (LIGAMENT, TUBERCLE, STABILISATION, LABRUM)


@dataclass(frozen=True)
class Aside:
    """As a course, with the share of well cases it is told of and the operations it suits."""

    tell: Tell
    first: tuple[int, int]
    share: float
    after: tuple[int, ...]
    span: int = 0


def other_side(told: Chronicle, rows: Rows, day: Days) -> None:
    """The limb that was not operated on dislocates."""
    side = np.where(told.left[rows], "right", "left")
    code = np.where(told.left[rows], "S83.004A", "S83.005A")
    told.event(rows, day, code=code, side=side, names_operation=False, source="coded", instability_level=1,
               reduced_by="others")  # fmt: skip


def before_operation(told: Chronicle, rows: Rows, day: Days) -> None:
    """The dislocation that led to the operation (negative days)."""
    told.event(rows, day, code=dislocation_code(told, rows), names_operation=False, source="coded",
               instability_level=1, reduced_by="others")  # fmt: skip


def stiffness_coded(told: Chronicle, rows: Rows, day: Days) -> None:
    """An unspecific code and nothing measured beyond the limit: waits for a reviewer."""
    code = np.where(told.knee(rows), told.sided(rows, "M25.66{}"), told.sided(rows, "M25.61{}"))
    told.event(rows, day, code=code, source="coded")
    told.expect(rows, day, "stiffness", "persistent", "code", "awaiting")


def patient_says(told: Chronicle, rows: Rows, day: Days) -> None:
    """A dislocation on the patient's word alone: waits for a reviewer."""
    told.event(rows, day, code=dislocation_code(told, rows), source="patient",
               note=letter(told, rows, letters.PATIENT_SAYS))  # fmt: skip
    told.expect(rows, day, "instability", "primary", "code", "awaiting")


def only_a_letter(told: Chronicle, rows: Rows, day: Days) -> None:
    """A sentence without code: to be read by a reviewer, no category yet."""
    told.event(rows, day, source="letter", note=letter(told, rows, letters.UNSURE))


def too_soon(told: Chronicle, rows: Rows, day: Days) -> None:
    """Called stiff in the first three months, when it is not judged."""
    code = np.where(told.knee(rows), told.sided(rows, "M24.66{}"), told.sided(rows, "M24.61{}"))
    told.event(rows, day, code=code, source="coded")
    told.expect(rows, day, "stiffness", "persistent", "code", "too_soon")


def stiff_before(told: Chronicle, rows: Rows, day: Days) -> None:
    """Beyond the limit before the operation and after it."""
    measure = np.where(told.knee(rows), "flexion", "forward_flexion")
    told.reading(rows, -told.draw(10, 40, rows), measure, told.draw(90, 112, rows).astype(float))
    beyond(told, rows, day)
    beyond(told, rows, day + 80)
    told.expect(rows, day, "stiffness", "persistent", "measurement", "pre_existing")


def stiff_once(told: Chronicle, rows: Rows, day: Days) -> None:
    """One reading beyond the limit at three months, well afterwards: a single reading, not persistent."""
    beyond(told, rows, day)
    told.expect(rows, day, "stiffness", "single_reading", "measurement")


def stiff_by_own_movement(told: Chronicle, rows: Rows, day: Days) -> None:
    """Only the patient's own movement was read: not assessed."""
    measure = np.where(told.knee(rows), "flexion", "forward_flexion")
    told.reading(rows, day, measure, told.draw(85, 110, rows).astype(float), mode="active")


def afraid(told: Chronicle, rows: Rows, day: Days) -> None:
    """Apprehension: described, not counted."""
    told.event(rows, day, instability_level=4, note=letter(told, rows, letters.APPREHENSIVE))
    told.expect(rows, day, "instability", "described", "field", "described")


def lax(told: Chronicle, rows: Rows, day: Days) -> None:
    """Loose joints without an event."""
    told.event(rows, day, instability_level=5, note=letter(told, rows, letters.LAX))


def no_hole_there(told: Chronicle, rows: Rows, day: Days) -> None:
    """The kneecap breaks where only stitches pass: no hole was made, so it counts under other."""
    told.event(rows, day, code=told.sided(rows, "S82.00{}A"), bone="patella", joint="", through_fixation_site="yes",
               energy="low", names_operation=True, source="radiology")  # fmt: skip
    told.expect(rows, day, "fixation_site_fracture", "any", "field", "cannot_occur")
    told.expect(rows, day, "other", "any", "field")


def bone_broken_elsewhere(told: Chronicle, rows: Rows, day: Days) -> None:
    """A fracture of the operated bone, nothing said of the hole: waits for a reviewer."""
    told.event(rows, day, code=told.sided(rows, "S82.00{}A"), bone="patella", joint="", energy="high",
               names_operation=True, source="coded")  # fmt: skip
    told.expect(rows, day, "fixation_site_fracture", "any", "code", "awaiting")


def _decided(
    told: Chronicle, rows: Rows, day: Days, category: str, answers: tuple[str, str], reason: str
) -> None:
    for reviewer, counts in zip(REVIEWERS, answers, strict=True):
        told.decide(rows, day, category, counts, reviewer, reason)


def confirmed(told: Chronicle, rows: Rows, day: Days) -> None:
    """A letter says it, both reviewers agree."""
    told.event(rows, day, source="letter", note=letter(told, rows, letters.SELF_REDUCED))
    _decided(
        told,
        rows,
        day,
        "instability",
        ("yes", "yes"),
        "letter describes a dislocation put back by the patient",
    )
    told.expect(rows, day, "instability", "primary", "decision")


def refuted(told: Chronicle, rows: Rows, day: Days) -> None:
    """Coded as an infection, both reviewers say it was none."""
    told.event(rows, day, code="T81.40XA", source="coded")
    _decided(told, rows, day, "infection", ("no", "no"), "red scar, no antibiotics, culture negative")
    told.expect(rows, day, "infection", "any", "decision", "refuted")


def disputed(told: Chronicle, rows: Rows, day: Days) -> None:
    """A letter says stiff without figures, the reviewers differ."""
    told.event(rows, day, source="letter", note=letter(told, rows, letters.STIFF_LETTER))
    _decided(told, rows, day, "stiffness", ("yes", "no"), "letter without figures")
    told.expect(rows, day, "stiffness", "persistent", "decision", "awaiting")


def misfiled(told: Chronicle, rows: Rows, day: Days) -> None:
    """A letter of somebody else in this record: a reviewer takes it away."""
    event = told.event(
        rows, day, code="T81.41XA", source="letter", note="Wound clinic letter, another clinic's number."
    )
    told.link(rows, event, to_case=False, reason="belongs to another patient")


def renumbered(told: Chronicle, rows: Rows, day: Days) -> None:
    """The patient got a second number, under which the dislocation stands; the numbers are merged later."""
    told.event(rows, day, code=dislocation_code(told, rows), instability_level=1, reduced_by="others",
               names_operation=False, second_number=True, source="coded")  # fmt: skip
    told.expect(rows, day, "instability", "primary", "code")
    told.expect(rows, day, "instability", "strict", "code")


def late_screws(told: Chronicle, rows: Rows, day: Days) -> None:
    """Metal taken out unplanned after the first year."""
    told.back_to_theatre(rows, day, REMOVAL, reason="hardware_problem", planned="no")
    told.expect(rows, day, "hardware_problem", "any", "return")
    told.expect(rows, day, "revision", "any_return", "return")


ASIDES: dict[str, Aside] = {
    "other_side": Aside(other_side, (60, 380), 0.02, (LIGAMENT, TUBERCLE)),
    "before_operation": Aside(before_operation, (-300, -20), 0.08, UNSTABLE),
    "stiffness_coded": Aside(stiffness_coded, (95, 340), 0.012, STIFFENING),
    "patient_says": Aside(patient_says, (40, 340), 0.012, UNSTABLE),
    "only_a_letter": Aside(only_a_letter, (20, 340), 0.025, tuple(range(8))),
    "too_soon": Aside(too_soon, (45, 80), 0.006, STIFFENING),
    "stiff_before": Aside(stiff_before, (95, 115), 0.006, STIFFENING, 80),
    "stiff_once": Aside(stiff_once, (92, 115), 0.015, STIFFENING),
    "stiff_by_own_movement": Aside(stiff_by_own_movement, (170, 200), 0.012, STIFFENING),
    "afraid": Aside(afraid, (60, 340), 0.02, UNSTABLE),
    "lax": Aside(lax, (60, 340), 0.01, UNSTABLE),
    "no_hole_there": Aside(no_hole_there, (40, 200), 0.03, (TIGHTENING,)),
    "bone_broken_elsewhere": Aside(bone_broken_elsewhere, (40, 300), 0.006, (LIGAMENT,)),
    "confirmed": Aside(confirmed, (50, 340), 0.008, KNEES),
    "refuted": Aside(refuted, (6, 27), 0.006, tuple(range(8))),
    "disputed": Aside(disputed, (95, 340), 0.008, STIFFENING),
    "misfiled": Aside(misfiled, (10, 60), 0.003, tuple(range(8))),
    "renumbered": Aside(renumbered, (60, 340), 0.004, KNEES),
    "late_screws": Aside(late_screws, (380, 600), 0.03, (TUBERCLE,)),
}


def tell_asides(told: Chronicle, free: np.ndarray) -> np.ndarray:
    """Tells at most one aside of each free case, every aside at least once if any case suits; the names."""
    names = np.full(len(free), "", dtype=object)
    for name, aside in ASIDES.items():
        day = told.rng.integers(aside.first[0], aside.first[1] + 1, len(free))
        able = free & (names == "") & np.isin(told.operation, aside.after)
        able &= told.performed + day + aside.span <= LAST_DAY
        rows = _chosen(told, np.flatnonzero(able), aside.share)
        if len(rows):
            aside.tell(told, rows, day[rows])
            names[rows] = name
    return names


def _chosen(told: Chronicle, able: Rows, share: float) -> Rows:
    count = min(len(able), max(1, round(share * len(able))))
    return np.sort(told.rng.choice(able, count, replace=False))


def tell_pairs(told: Chronicle) -> None:
    """Stitch abscesses after operations on both sides, the side not written: one in two is linked by a reviewer."""
    left = np.flatnonzero(told.cases["bilateral"].to_numpy() & told.left)
    left = left[told.performed[left] + 20 <= LAST_DAY]
    rows = left[:: max(1, len(left) // max(2, len(left) // 3))]
    day = told.draw(8, 20, rows)
    event = told.event(rows, day, code="T81.41XA", side="", source="clinic", names_operation=True,
                       note=letter(told, rows, letters.ABSCESS))  # fmt: skip
    linked = np.arange(len(rows)) % 2 == 0
    told.link(rows[linked], event[linked], to_case=True, reason="nurse who dressed it: left")
    told.expect(rows[linked], day[linked], "infection", "any", "code")
    told.expect(rows[~linked], day[~linked], "infection", "any", "code", "awaiting")


def tell_deaths(told: Chronicle, free: np.ndarray) -> np.ndarray:
    """Day of death for each case (-1 if alive): few, of the oldest, of other causes."""
    able = np.flatnonzero(free & (told.performed < LAST_DAY - 400))
    oldest = able[np.argsort(-told.cases["age"].to_numpy()[able], kind="stable")]
    rows = oldest[: max(1, len(free) // 1000)]
    died = np.full(len(free), -1, dtype=np.int64)
    died[rows] = told.draw(40, 300, rows)
    told.expect(rows, died[rows], "death", "any", "field")
    return died
