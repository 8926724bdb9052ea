"""Faults planted on purpose, each listed with file, line and what an audit should say about it.

Every fault leaves the truth as it is: what is held back are rows added for the purpose, what is wrong at first is
sent again correctly. A table gets a fault only if it is long enough for the share held back to stay tolerable.
"""

from __future__ import annotations

from collections.abc import Callable

from schemas.sample import faulty_files, faulty_operations, faulty_records, leaks
from schemas.sample.hospitals import Exports
from schemas.sample.leaks import CANARIES
from schemas.sample.planting import NO_FAULTS, Planted, Planter

__all__ = ["CANARIES", "NO_FAULTS", "Planted", "with_faults"]

#: In this order: what moves lines comes first, what counts rows last.
PLANTS: tuple[Callable[[Planter], None], ...] = (
    *faulty_files.BEFORE,
    *faulty_records.BEFORE,
    leaks.leaked_identifiers,
    leaks.leaked_outside_letters,
    *faulty_operations.PLANTS,
    *faulty_records.PLANTS,
    *faulty_files.PLANTS,
    leaks.leaked_in_incidents,
)


def with_faults(made: Exports) -> tuple[Exports, Planted]:
    """The exports with every fault planted for which there are rows enough."""
    planter = Planter(made)
    for plant in PLANTS:
        plant(planter)
    return planter.made, planter.planted()
