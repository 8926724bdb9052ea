"""Exports of any size for measuring: invented hospitals, contract form, seeded, made column by column.

A hospital has at most 1,000,000 operations; what is more is another's, which goes by the same ids. For each 1,000,000
operations there are 120,000 events, 2,000,000 contacts and 1,000,000 measurements.
Nothing here tells a story; `limbaudit sample` does. Shares of faults are ours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from hashlib import sha256
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

SITE = "harbour"
#: Operations of a hospital, at most.
LARGEST_HOSPITAL = 1_000_000
RECEIPTS = (date(2026, 10, 5), date(2026, 11, 3))
ROWS_AT_ONCE = 500_000
FIRST_DAY, LAST_DAY = date(2017, 1, 1), date(2026, 9, 30)
#: Rows a table for one operation.
PER_OPERATION = {"operations": 1.0, "events": 0.12, "followups": 2.0, "measurements": 1.0}
#: Of the rows of the first receipt, how many come again with the second, and what two in three of them then say.
SENT_AGAIN = 0.015
CORRECTIONS = {
    "operations": ("bmi", "43.5"),
    "events": ("management", "aspiration"),
    "followups": ("return_to_sport", "not_asked"),
    "measurements": ("value", "61"),
}
OF_SITE = '\n[sites.{}]\nname = "Harbour Hospital{}"\nsends = "changes"\n'
CATALOGUE = """\
procedures.ligament_reconstruction.codes.local = ["KN11"]
procedures.tubercle_transfer.codes.local = ["KN12"]
procedures.coracoclavicular_reconstruction.codes.local = ["CL02"]
procedures.clavicle_plate.codes.local = ["CL03"]
procedures.biceps_tenodesis.codes.local = ["SH06"]
"""
PROCEDURES = ("KN11", "KN12", "CL02", "CL03", "SH06")
#: Of the follow-ups, how many do not say the joint; of those that do not name their operation either, each is a question.
JOINT_UNSAID = 0.02
JOINTS = ("patellofemoral", "patellofemoral", "acromioclavicular", "shoulder", "shoulder")
FIXATIONS = ("interference_screw", "screw", "button", "plate_superior", "button")
DIAGNOSES = ("S83.00", "S83.00", "S43.12", "S42.02", "")
NOTES = (
    "Wound dry, no warmth. Back in {} weeks.",
    "Fell on the stairs, {} days ago; pain over the plate.",
    "Knee bends to {} degrees and hurts at the end of the way.",
    "Asked for by telephone, could not be reached {} times.",
)
_EPOCH = date(1970, 1, 1)
_PROGRAM = sha256(Path(__file__).read_bytes()).hexdigest()[:12]

Columns = dict[str, pa.Array]


@dataclass(frozen=True)
class Volume:
    """What is to be made: `operations` rows; `bad` is the share of rows with one fault each."""

    operations: int
    bad: float = 0.0
    seed: int = 7

    def rows(self, table: str) -> int:
        return round(self.operations * PER_OPERATION[table])

    def hospitals(self) -> dict[str, Volume]:
        """What each site sends."""
        many = -(-self.operations // LARGEST_HOSPITAL)
        sizes = [self.operations // many + (n < self.operations % many) for n in range(many)]
        names = [SITE, *(f"{SITE}-{n}" for n in range(2, many + 1))]
        return {name: replace(self, operations=size, seed=self.seed + n)
                for n, (name, size) in enumerate(zip(names, sizes, strict=True))}  # fmt: skip


@dataclass(frozen=True)
class _Operated:
    """What other tables need to know of the operations."""

    ids: pa.Array
    patients: pa.Array
    days: np.ndarray
    kinds: np.ndarray
    right: np.ndarray


def made(volume: Volume, workspace: Path) -> Path:
    """Write the workspace and return it; one of the same volume by this very program that lies there already is left."""
    mark, said = workspace / "volume.txt", f"{volume!r} {_PROGRAM}"
    if mark.is_file() and mark.read_text() == said:
        return workspace
    workspace.mkdir(parents=True, exist_ok=True)
    hospitals = volume.hospitals()
    (workspace / "audit.toml").write_text("contract = 1\n" + "".join(map(_settings, hospitals)))
    (workspace / "catalogue.toml").write_text(CATALOGUE)
    for site, own in hospitals.items():
        _of_site(workspace / "received" / site, own)
    mark.write_text(said)
    return workspace


def _settings(site: str) -> str:
    number = site.removeprefix(SITE).replace("-", " ")
    return OF_SITE.format(site, number)


def _of_site(folder: Path, volume: Volume) -> None:
    draw = np.random.default_rng(volume.seed)
    operations, operated = _operations(volume.rows("operations"), draw)
    _written("operations", operations, volume, draw, folder)
    for name, build in (("events", _events), ("followups", _followups), ("measurements", _measurements)):
        _written(name, build(volume.rows(name), operated, draw), volume, draw, folder)


def _written(name: str, columns: Columns, volume: Volume, draw: np.random.Generator, of_site: Path) -> None:
    """Both receipts of a table: all its rows with their faults, then some of them corrected or again."""
    rows = pa.table(columns)
    if volume.bad:
        rows = _with_faults(name, rows, volume.bad, draw)
    for receipt, part in zip(RECEIPTS, (rows, _second(name, rows, draw)), strict=True):
        folder = of_site / receipt.isoformat()
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / f"{name}.csv").open("wb") as stream:
            stream.write((",".join(part.column_names) + "\n").encode())
            for start in range(0, len(part), ROWS_AT_ONCE):
                stream.write(_lines(part.slice(start, ROWS_AT_ONCE)))


def _lines(rows: pa.Table) -> memoryview:
    """Rows as CSV with quotation marks only where needed, as most systems write it."""
    cells = [rows[name].combine_chunks() for name in rows.column_names]
    quoted = [
        pc.if_else(pc.match_substring(text, ","), pc.binary_join_element_wise('"', text, '"', ""), text)
        for text in cells
    ]
    lines = pc.binary_join_element_wise(pc.binary_join_element_wise(*quoted, ","), "", "\n")
    whole = pa.concat_arrays([lines])
    return memoryview(whole.buffers()[2])[: pc.sum(pc.binary_length(whole)).as_py()]


def _second(name: str, rows: pa.Table, draw: np.random.Generator) -> pa.Table:
    """Some rows written anew, two in three with another cell and a later moment; the others exactly as they were."""
    chosen = draw.choice(len(rows), size=max(3, round(len(rows) * SENT_AGAIN)), replace=False)
    part = rows.take(pa.array(np.sort(chosen)))
    anew = np.flatnonzero(np.arange(len(part)) % 3 < 2)
    column, cell = CORRECTIONS[name]
    if "recorded_at" in part.column_names:
        part = _put(part, "recorded_at", anew, "2026-10-20T08:00:00")
    return _put(part, column, anew, cell)


# ---------------------------------------------------------------- columns


def _operations(rows: int, draw: np.random.Generator) -> tuple[Columns, _Operated]:
    number = np.arange(rows)
    people = max(1, int(rows * 0.9))
    person = draw.integers(0, people, rows)
    born = (FIRST_DAY - _EPOCH).days - draw.integers(14 * 366, 79 * 365, people)[person]
    patients = _ids("P", person)
    span = (LAST_DAY - FIRST_DAY).days
    days = np.sort(draw.integers(0, span, rows)) + (FIRST_DAY - _EPOCH).days
    kinds, right = draw.integers(0, len(PROCEDURES), rows), draw.random(rows) < 0.5
    operated = _Operated(_ids("O", number), patients, days, kinds, right)
    side = _side(right)
    suffix = pc.if_else(pa.array(right), "1A", "2A")
    diagnosis = pc.binary_join_element_wise(_of(DIAGNOSES, kinds), suffix, "")
    pointed = _of(DIAGNOSES, kinds)
    sporty = draw.random(rows) < 0.7
    columns = {
        "operation_id": operated.ids,
        "patient_id": patients,
        "performed_on": _days(days),
        "procedure_code": _of(PROCEDURES, kinds),
        "side": side,
        "surgeon_id": _ids("S", draw.integers(0, 240, rows)),
        "age_years": _texts(((days - born) / 365.25).astype(np.int64)),
        "sex": _of(("female", "male"), draw.integers(0, 2, rows)),
        "asa_class": _texts(draw.integers(1, 4, rows)),
        "fixation": _of(FIXATIONS, kinds),
        "smoker": _of(("yes", "no", ""), draw.integers(0, 3, rows)),
        "diabetes": _of(("yes", "no", "no", "no"), draw.integers(0, 4, rows)),
        "bmi": _decimals(draw.integers(170, 420, rows)),
        "sport": pc.if_else(pa.array(sporty), _of(("pivoting", "contact", "endurance"), number % 3), ""),
        "diagnosis_code": pc.if_else(pc.equal(pointed, ""), "", diagnosis),
        "onset_on": _days(days - draw.integers(20, 700, rows)),
        "recorded_at": _moments(days + draw.integers(0, 4, rows)),
    }
    return columns, operated


def _record(
    letter: str, rows: int, operated: _Operated, draw: np.random.Generator, latest: int, named: float
) -> tuple[Columns, np.ndarray, np.ndarray]:
    """Columns every record has, its operation's position, and its day; `named`: how many name the operation."""
    which = draw.integers(0, len(operated.ids), rows)
    days = operated.days[which] + draw.integers(5, latest, rows)
    days = np.minimum(days, (LAST_DAY - _EPOCH).days)
    names = pa.array(draw.random(rows) < named)
    columns = {
        f"{letter.lower()}_id": _ids(letter, np.arange(rows)),
        "patient_id": operated.patients.take(pa.array(which)),
        "day": _days(days),
        "operation_id": pc.if_else(names, operated.ids.take(pa.array(which)), ""),
        "side": _side(operated.right[which]),
    }
    return columns, which, days


def _events(rows: int, operated: _Operated, draw: np.random.Generator) -> Columns:
    columns, which, days = _record("E", rows, operated, draw, 700, 0.5)
    coded = pa.array(draw.random(rows) < 0.8)
    kinds = operated.kinds[which]
    told = pc.if_else(pa.array(draw.random(rows) < 0.3), _notes(draw, rows), "")
    return {
        "event_id": columns["e_id"],
        "patient_id": columns["patient_id"],
        "occurred_on": columns["day"],
        "operation_id": columns["operation_id"],
        "code": pc.if_else(
            coded, _of(("T81.41XA", "M24.60", "T84.89XA", "I82.409"), draw.integers(0, 4, rows)), ""
        ),
        "side": columns["side"],
        "joint": _of(JOINTS, kinds),
        "energy": _of(("low", "high", "none"), draw.integers(0, 3, rows)),
        "instability_level": _of(("", "", "", "1", "3"), draw.integers(0, 5, rows)),
        "severity_grade": _of(("I", "II", "IIIa", "IIIb"), draw.integers(0, 4, rows)),
        "management": _of(("observation", "medication", "theatre"), draw.integers(0, 3, rows)),
        "source": _of(("coded", "theatre", "letter", "clinic"), draw.integers(0, 4, rows)),
        "note": told,
        "recorded_at": _moments(days + 1),
    }


def _followups(rows: int, operated: _Operated, draw: np.random.Generator) -> Columns:
    columns, which, days = _record("F", rows, operated, draw, 760, 0.6)
    is_unsaid = pa.array(draw.random(rows) < JOINT_UNSAID)
    told = pc.if_else(pa.array(draw.random(rows) < 0.03), _notes(draw, rows), "")
    return {
        "followup_id": columns["f_id"],
        "patient_id": columns["patient_id"],
        "seen_on": columns["day"],
        "status": _of(("seen", "seen", "seen", "remote", "did_not_attend"), draw.integers(0, 5, rows)),
        "operation_id": columns["operation_id"],
        "side": columns["side"],
        "joint": pc.if_else(is_unsaid, "", _of(JOINTS, operated.kinds[which])),
        "return_to_sport": _of(("", "", "same_or_higher", "lower", "none"), draw.integers(0, 5, rows)),
        "pain": _texts(draw.integers(0, 11, rows)),
        "note": told,
        "recorded_at": _moments(days + 1),
    }


def _measurements(rows: int, operated: _Operated, draw: np.random.Generator) -> Columns:
    columns, which, _ = _record("M", rows, operated, draw, 760, 0.5)
    kinds = operated.kinds[which]
    is_knee = pa.array(np.asarray(kinds) < 2)
    return {
        "measurement_id": columns["m_id"],
        "patient_id": columns["patient_id"],
        "measured_on": columns["day"],
        "joint": pc.if_else(is_knee, "knee", "shoulder"),
        "measure": pc.if_else(is_knee, "flexion", "forward_flexion"),
        "mode": _of(("passive", "active"), draw.integers(0, 2, rows)),
        "value": _texts(draw.integers(80, 160, rows)),
        "unit": _texts(np.full(rows, "deg")),
        "operation_id": columns["operation_id"],
        "side": columns["side"],
    }


# ---------------------------------------------------------------- faults


#: Column and what a faulty row holds there; the first row of each tuple, the second, and so on in turn.
FAULTS: dict[str, tuple[tuple[str, str], ...]] = {
    "operations": (
        ("side", ""),
        ("side", "sinister"),
        ("side", "L"),
        ("age_years", "140"),
        ("performed_on", "2023-13-45"),
        ("performed_on", "2027-02-01"),
        ("patient_id", "TEST-0001"),
        ("bmi", "heavy"),
        ("onset_on", "2026-10-01"),
        ("diagnosis_code", "S83.001A"),
        ("sex", "N/A"),
    ),
    "events": (
        ("occurred_on", ""),
        ("joint", "toe"),
        ("instability_level", "9"),
        ("operation_id", "O9999999"),
        ("note", "Seen with Mrs Example today, rang 020 7946 0123."),
        ("severity_grade", "IX"),
        ("patient_id", "000000"),
    ),
    "followups": (
        ("status", "maybe"),
        ("status", ""),
        ("pain", "12"),
        ("seen_on", "2026-12-24"),
        ("patient_id", ""),
        ("operation_id", "O9999999"),
        ("side", "R"),
        ("pain", "unknown"),
    ),
    "measurements": (
        ("value", ""),
        ("value", "950"),
        ("value", "far"),
        ("unit", "cm"),
        ("mode", ""),
        ("measured_on", "2025-02-30"),
        ("unit", "points"),
        ("operation_id", "O9999999"),
    ),
}


def _with_faults(name: str, rows: pa.Table, share: float, draw: np.random.Generator) -> pa.Table:
    """One fault in each of the drawn rows, and a few ids that stand for two different rows."""
    drawn = draw.choice(len(rows), size=round(len(rows) * share), replace=False)
    faults = FAULTS[name]
    for turn, (column, cell) in enumerate(faults):
        here = drawn[turn :: len(faults) + 1]
        rows = _put(rows, column, here, cell)
    twice = np.sort(drawn[len(faults) :: len(faults) + 1])
    again = _set(rows.take(pa.array(twice)), "side", pa.repeat("bilateral", len(twice)))
    return pa.concat_tables([rows, again])


def _put(rows: pa.Table, column: str, here: np.ndarray, cell: str) -> pa.Table:
    mask = np.zeros(len(rows), bool)
    mask[here] = True
    return _set(rows, column, pc.if_else(pa.array(mask), cell, rows[column].combine_chunks()))


def _set(rows: pa.Table, column: str, cells: pa.Array) -> pa.Table:
    return rows.set_column(rows.column_names.index(column), column, cells)


# ---------------------------------------------------------------- texts


def _texts(values: np.ndarray) -> pa.Array:
    return pa.array(values).cast(pa.string())


def _ids(letter: str, numbers: np.ndarray) -> pa.Array:
    padded = pc.utf8_lpad(_texts(np.asarray(numbers)), 7, "0")
    return pc.binary_join_element_wise(letter, padded, "")


def _of(words: tuple[str, ...], chosen: np.ndarray) -> pa.Array:
    return pa.array(words, pa.string()).take(pa.array(np.asarray(chosen)))


def _side(right: np.ndarray) -> pa.Array:
    return pc.if_else(pa.array(np.asarray(right)), "right", "left")


def _days(days: np.ndarray) -> pa.Array:
    return pa.array(np.asarray(days, np.int32)).cast(pa.date32()).cast(pa.string())


def _moments(days: np.ndarray) -> pa.Array:
    return pc.binary_join_element_wise(_days(days), "17:30:00", "T")


def _decimals(tenths: np.ndarray) -> pa.Array:
    return pa.array(np.asarray(tenths) / 10).cast(pa.string())


def _notes(draw: np.random.Generator, rows: int) -> pa.Array:
    numbers, form = _texts(draw.integers(2, 100, rows)), draw.integers(0, len(NOTES), rows)
    heads, tails = zip(*(text.split("{}") for text in NOTES), strict=True)
    return pc.binary_join_element_wise(_of(heads, form), numbers, _of(tails, form), "")
