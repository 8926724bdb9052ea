"""Who is the same person: patient numbers, and the merges the records office decided."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from pipeline.columns import JOINER, first_positions, joined, sorted_distinct
from pipeline.handover import Accepted

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
    keys = {name: _keys(accepted.tables[name], shared) for name in WITH_PATIENTS}
    sent = sorted_distinct(list(keys.values()))
    named = [_label(row["site_id"], row[end], shared) for row in merges.to_dict("records") for end in ENDS]
    known = sorted_distinct([*keys.values(), pa.chunked_array([pa.array(named, pa.string())])])
    canonical, complaints = _canonical(known.to_pylist(), set(sent.to_pylist()), merges, shared)
    number = {name: canonical[first_positions(key, known)].astype(np.int64) for name, key in keys.items()}
    return Patients(number, _hashes(known), tuple(complaints))


def _keys(table: pa.Table, shared: bool) -> pa.ChunkedArray:
    return table["patient_id"] if shared else joined(table["site"], table["patient_id"])


def _hashes(known: pa.Array) -> np.ndarray:
    """uint64 of each label by a fixed key, for cutting the work into parts."""
    from pandas.util import hash_array

    return hash_array(np.asarray(known.to_pylist(), dtype=object), categorize=False)


def _canonical(
    known: Sequence[str], sent: set[str], merges: pd.DataFrame, shared: bool
) -> tuple[np.ndarray, list[dict[str, object]]]:
    """The number every patient goes by, and the merges that cannot be followed."""
    canonical = np.arange(max(len(known), 1), dtype=np.int64)
    position = {label: number for number, label in enumerate(known)}
    complaints = []
    for merge in merges.to_dict("records"):
        labels = [_label(merge["site_id"], merge[end], shared) for end in ENDS]
        here, there = (position[label] for label in labels)
        if not sent.issuperset(labels):
            complaints.append(_complaint(merge, "one of the patients was never sent. Check the ids."))
        if canonical[here] == canonical[there]:
            trouble = (
                "both are the same patient already, or it runs in a circle. Correct the row; it is not used."
            )
            complaints.append(_complaint(merge, trouble))
            continue
        canonical[canonical == canonical[here]] = canonical[there]
    return canonical, complaints


def _label(site: str, patient: str, shared: bool) -> str:
    return patient if shared else f"{site}{JOINER}{patient}"


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
