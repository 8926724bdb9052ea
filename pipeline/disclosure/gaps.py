"""A sheet without gaps, the patients behind it, and gaps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline.disclosure.attack import Watched
from pipeline.disclosure.sheet import COUNTED, Sheet
from pipeline.disclosure.system import KINDS


@dataclass(frozen=True)
class Truth:
    """A sheet without gaps, and how many patients stand behind its figures.

    Attributes:
        sheet: Every figure.
        patients: Columns `KINDS`, one row a row of the sheet.
        arms: The same for its arms.
        beside: The same for what is left beside the arms, one row a procedure of an arm.
    """

    sheet: Sheet
    patients: pd.DataFrame
    arms: pd.DataFrame
    beside: pd.DataFrame


@dataclass(frozen=True)
class Gaps:
    """What is not shown.

    Attributes:
        rows, arms: bool [row, figure of COUNTED].
        worlds: float [unknown] each: solutions that show how far what is hidden can move, where they were looked for.
    """

    rows: np.ndarray
    arms: np.ndarray
    worlds: tuple[np.ndarray, ...] = ()

    def of(self, sheet: Sheet) -> Sheet:
        """The sheet with its gaps."""
        return replace(sheet, rows=_gapped(sheet.rows, self.rows), arms=_gapped(sheet.arms, self.arms))


def _gapped(rows: pd.DataFrame, hidden: np.ndarray) -> pd.DataFrame:
    gaps = {name: rows[name].astype(float).mask(hidden[:, at]) for at, name in enumerate(COUNTED)}
    return rows.assign(**gaps)


def few(patients: pd.DataFrame, smallest: int) -> dict[str, np.ndarray]:
    """Kind → bool by row: at least one patient and fewer than `smallest`."""
    return {kind: patients[kind].between(1, smallest - 1).to_numpy() for kind in KINDS}


def watched(gaps: Gaps, truth: Truth, smallest: int) -> Watched:
    """Every figure of few patients, and every gap of rows without one, which are there to protect others."""
    parts = ((truth.patients, gaps.rows), (truth.arms, gaps.arms), (truth.beside, None))
    found: list[tuple[int, np.ndarray, int, bool]] = []
    for where, (patients, hidden) in enumerate(parts):
        chosen = few(patients, smallest)
        found += [(where, np.flatnonzero(own), KINDS.index(kind), True) for kind, own in chosen.items()]
        if hidden is not None:
            alone = ~np.any(list(chosen.values()), axis=0)
            found += [
                (where, np.flatnonzero(alone & own), KINDS.index(name), False)
                for name, own in _for_others(hidden)
            ]
    sizes = [len(at) for _, at, _, _ in found]
    return Watched(
        np.repeat([where for where, _, _, _ in found], sizes), np.concatenate([at for _, at, _, _ in found]),
        np.repeat([kind for _, _, kind, _ in found], sizes), np.repeat([small for _, _, _, small in found], sizes),
    )  # fmt: skip


def _for_others(hidden: np.ndarray) -> list[tuple[str, np.ndarray]]:
    """Figures hidden to protect another row: `lost` beside hidden events only follows them."""
    cases, lost, events = hidden.T
    return [("cases", cases), ("lost", lost & ~events), ("events", events)]
