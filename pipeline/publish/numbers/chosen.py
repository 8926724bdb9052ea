"""Cases chosen by operation, site, surgeon, period or arm: as positions, so that few cost little among many."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from pipeline.compared import arms_of
from pipeline.periods import parse_period
from pipeline.publish.numbers.whose import ALL, Whose
from pipeline.watched import closed_cases

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.handover import Labels
    from pipeline.settings import Compare, Primary, Settings

#: Field of `Whose` → column of cases and the labels its integers stand for.
COLUMNS = {
    "site": "sites",
    "surgeon": "surgeons",
    "fixation": "fixations",
    "age_band": "age_bands",
}
NOBODY = np.zeros(0, np.int64)


class Chosen:
    """Positions of cases in the order of case ids, found once for each of those asked for.

    Args:
        cases: Of all parts together.
        labels: What their integers stand for.
        settings: Windows and comparisons.
    """

    def __init__(self, cases: pd.DataFrame, labels: Labels, settings: Settings) -> None:
        self.cases = cases
        self.labels = labels
        self.settings = settings
        self.of = lru_cache(maxsize=64)(self._of)
        self.closed = lru_cache(maxsize=64)(self._closed)
        self.column = lru_cache(maxsize=None)(self._column)
        self.ended = lru_cache(maxsize=None)(self._ended_in)
        self._arms = lru_cache(maxsize=None)(self._arms_of)
        self._places = lru_cache(maxsize=None)(self._places_by_value)

    def _column(self, name: str) -> np.ndarray:
        """A column of the frame of cases as whole numbers."""
        return self.cases[name].to_numpy(np.int64)

    def _of(self, whose: Whose) -> np.ndarray:
        """Positions of cases, whether a window has closed or not: the fewest of one column, then of the others."""
        asked = [("group", whose.procedure, "groups")] if whose.procedure != ALL else []
        asked += [
            (name, getattr(whose, name), labels) for name, labels in COLUMNS.items() if getattr(whose, name)
        ]
        values = {name: _place(word, getattr(self.labels, labels)) for name, word, labels in asked}
        if values:
            first = min(values, key=lambda name: len(self._places_with(name, values[name])))
            own = self._places_with(first, values.pop(first))
        else:
            own = np.arange(len(self.cases))
        for name, value in values.items():
            own = own[self.column(name)[own] == value]
        if whose.period:
            own = own[self._in_period(whose.period, own)]
        if whose.isolated:
            own = own[self.column("isolated")[own] != 0]
        return own[self._arm(whose)[own]] if whose.arm else own

    def _places_with(self, name: str, value: int) -> np.ndarray:
        found: np.ndarray = self._places(name).get(value, NOBODY)
        return found

    def _places_by_value(self, name: str) -> dict[int, np.ndarray]:
        """Value of a column → positions of its cases, in order."""
        cells = self.column(name)
        order = np.argsort(cells, kind="stable")
        values, first = np.unique(cells[order], return_index=True)  # none, and one empty part, without cases
        return dict(zip(values.tolist(), np.split(order, first[1:]), strict=False))

    def _closed(self, whose: Whose, days: int) -> np.ndarray:
        own: np.ndarray = self.of(whose)
        return own[self.ended(days)[own]]

    def _ended_in(self, days: int) -> np.ndarray:
        """bool over all cases: the window has closed."""
        window = next(each for each in self.settings.windows if each.days == days)
        return closed_cases(self.cases, window)

    def inside(self, whose: Whose) -> np.ndarray:
        """bool over all cases: those that `whose` speaks of, whatever the outcome."""
        mask = np.zeros(len(self.cases), bool)
        mask[self.of(whose)] = True
        return mask

    def _in_period(self, name: str, own: np.ndarray) -> np.ndarray:
        period = parse_period(name)
        first, last = (
            np.datetime64(day, "D").astype(np.int64) for day in (period.first_day, period.last_day)
        )
        performed = self.column("performed")[own]
        return (performed >= first) & (performed <= last)

    def _arm(self, whose: Whose) -> np.ndarray:
        arms = self._arms(whose.among, whose.by, whose.arm_a, whose.arm_b)
        found: np.ndarray = arms["ab".index(whose.arm)]
        return found

    def _arms_of(self, *wanted: str) -> tuple[np.ndarray, np.ndarray]:
        return arms_of(self.cases, self._comparison(wanted), self.labels)

    def _comparison(self, wanted: tuple[str, ...]) -> Primary | Compare:
        """The comparison of the settings that a row of `comparisons` came from."""
        settings = self.settings
        asked: list[Primary | Compare] = [
            *([settings.primary] if settings.primary else []),
            *settings.compare,
        ]
        return next(entry for entry in asked if (entry.among, entry.by, entry.a, entry.b) == wanted)


def _place(word: str, labels: tuple[str, ...]) -> int:
    """Of a published word among labels; -1, as in the frame of cases, for the word that says there is none."""
    return labels.index(word) if word in labels else -1
