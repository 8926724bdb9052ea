"""Whether a complication after a procedure is a recurrence of what it was done for, or new: two kinds that are never pooled."""

from __future__ import annotations

import numpy as np

from pipeline.catalogue import Catalogue
from pipeline.handover import Labels

NEITHER, RECURRENCE, NEW, MIXED = 0, 1, 2, 3


def kinds_of(labels: Labels, catalogue: Catalogue) -> np.ndarray:
    """(groups, categories) int8: RECURRENCE or NEW where the catalogue tells them apart, else NEITHER.

    A group of two procedures was also done for what either treats.
    """
    found = np.zeros((len(labels.groups), len(labels.categories)), dtype=np.int8)
    for column, key in enumerate(labels.categories):
        entry = catalogue.complications.get(key)
        if entry and entry.recurrence_of:
            found[:, column] = [
                RECURRENCE if _concerns(group, catalogue) & set(entry.recurrence_of) else NEW
                for group in labels.groups
            ]
    return found


def _concerns(group: str, catalogue: Catalogue) -> set[str]:
    known = [catalogue.procedures.get(key) for key in group.split("+")]
    return {procedure.concerns for procedure in known if procedure}


def together(kinds: np.ndarray, present: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Kinds of several rows taken together, [part, outcome]; MIXED where both occur.

    Args:
        kinds: [row, outcome].
        present: bool [row, outcome], whether the row counts for anything there.
        part: (rows,) number of the part each row falls in, from 0 without gaps.
    """
    found = np.zeros((int(part.max(initial=-1)) + 1, kinds.shape[1]), dtype=np.int8)
    np.bitwise_or.at(found, part, np.where(present, kinds, NEITHER).astype(np.int8))
    return found
