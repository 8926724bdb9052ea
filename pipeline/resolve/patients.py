"""Who is the same person: patient numbers, and the merges the records office decided."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from pipeline.handover import Accepted
from pipeline.keys import KeyColumns, Keys, keys_of
from pipeline.text_numbers import text_hashes

if TYPE_CHECKING:
    import pandas as pd

ENDS = ("patient_id", "same_as")
WITH_PATIENTS = ("operations", "events", "followups", "measurements", "patients")


@dataclass(frozen=True)
class Patients:
    """`number[table]` is the canonical patient of each accepted row; `hashes` of each canonical patient's label."""

    number: dict[str, np.ndarray]
    hashes: np.ndarray
    complaints: tuple[dict[str, object], ...]


def patients_of(accepted: Accepted, merges: pd.DataFrame, shared: bool) -> Patients:
    """Numbers in the order of (site, id), or of the id alone where patients are shared between sites."""
    ends = [(row["site_id"], row[end]) for row in merges.to_dict("records") for end in ENDS]
    columns = [_columns(accepted.tables[name], shared) for name in WITH_PATIENTS]
    keys = keys_of([*columns, _written(ends, shared)])
    *sent, named = keys.numbers
    number = dict(zip(WITH_PATIENTS, sent, strict=True))
    complaints: list[dict[str, object]] = []
    if len(merges):
        canonical, complaints = _canonical(len(keys), _occurring(sent, len(keys)), named, merges)
        number = {name: canonical[own] for name, own in number.items()}
    return Patients(number, _hashes(keys), tuple(complaints))


def _columns(table: pa.Table, shared: bool) -> KeyColumns:
    return None if shared else table["site"], table["patient_id"]


def _written(ends: list[tuple[str, str]], shared: bool) -> KeyColumns:
    """The patients that merges name, as columns."""
    sites, ids = (pa.chunked_array([[end[at] for end in ends]], pa.string()) for at in (0, 1))
    return None if shared else sites, ids


def _hashes(keys: Keys) -> np.ndarray:
    """uint64 of each site and id alone, for cutting the work into parts."""
    found = [text_hashes(ids, text_hashes(pa.array([site], pa.string()))[0]) for site, ids in keys.of_sites()]
    return np.concatenate([np.zeros(0, np.uint64), *found])


def _occurring(sent: Sequence[np.ndarray], patients: int) -> np.ndarray:
    """bool: a record of the patient was sent."""
    occurs = np.zeros(patients + 1, dtype=bool)
    for numbers in sent:
        occurs[numbers] = True
    return occurs[:-1]


def _canonical(
    patients: int, sent: np.ndarray, named: np.ndarray, merges: pd.DataFrame
) -> tuple[np.ndarray, list[dict[str, object]]]:
    """The number every patient goes by, and the merges that cannot be followed; -1 stays -1.

    Args:
        patients: How many there are.
        sent: bool, which of them occur in records.
        named: The two patients of each merge, one merge after the other.
        merges: What the records office wrote.
    """
    canonical = np.append(np.arange(patients, dtype=np.int64), -1).astype(named.dtype)
    complaints = []
    for merge, (here, there) in zip(merges.to_dict("records"), named.reshape(-1, 2), strict=True):
        if not sent[[here, there]].all():
            complaints.append(_complaint(merge, "one of the patients was never sent. Check the ids."))
        if canonical[here] == canonical[there]:
            trouble = (
                "both are the same patient already, or it runs in a circle. Correct the row; it is not used."
            )
            complaints.append(_complaint(merge, trouble))
            continue
        canonical[canonical == canonical[here]] = canonical[there]
    return canonical, complaints


def _complaint(merge: Mapping[Hashable, Any], trouble: str) -> dict[str, object]:
    return {
        "site": merge["site_id"],
        "source_file": merge["source_file"],
        "source_line": merge["source_line"],
        "table": "merges",
        "column": "same_as",
        "rule": "merge_unclear",
        "message": f"{merge['source_file']} line {merge['source_line']}: {trouble}",
    }
