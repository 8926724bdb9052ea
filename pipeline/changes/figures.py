"""Which cases moved into a figure or out of it: the signed edition, today's knowledge of the same days, and now.

Every case is looked at by the columns of the case list, as `count` does it from facts; no table of cases and outcomes is
made, only of the cases that moved.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from pipeline.changes.told import Told
    from pipeline.settings import Window

FIGURES = ("cases", "events", "lost")
KEY = ["procedure", "category", "level", "window_days", "figure"]
OF_CATEGORY = ["category", "window_days"]
#: Case list's columns of days to which a case was observed, by a category's `seen_in`.
OBSERVED = {"visit": "contact_until", "records": "records_until"}
NOWHERE = -1
ALL = "all"
_FAR = 2**30


@dataclass(frozen=True)
class Standing:
    """Cases of one evaluation as arrays over all cases of any evaluation.

    Attributes:
        ids: All case ids, sorted.
        groups: Names that `group` points to.
        told: The evaluation.
    """

    ids: pd.Index
    groups: tuple[str, ...]
    told: Told

    @cached_property
    def frame(self) -> pd.DataFrame:
        return self.told.cases.reindex(self.ids)

    @cached_property
    def present(self) -> np.ndarray:
        return np.asarray(self.ids.isin(self.told.cases.index))

    @cached_property
    def group(self) -> np.ndarray:
        """Position of each case's group; NOWHERE where it is no case."""
        return pd.Categorical(self.frame["group"], categories=list(self.groups)).codes.astype(np.int64)

    @cached_property
    def died(self) -> np.ndarray:
        return self._days("died", _FAR)

    @cached_property
    def reach(self) -> np.ndarray:
        """Day of each case to which its site's records are complete."""
        known, performed = (_calendar(self.frame[name]) for name in ("known_until", "performed_on"))
        return np.where((known > -_FAR) & (performed > -_FAR), known - performed, -_FAR)

    def _days(self, column: str, missing: int) -> np.ndarray:
        return pd.to_numeric(self.frame[column]).fillna(missing).to_numpy(np.int64)

    def at(self, case_ids: pd.Series) -> np.ndarray:
        """Positions of cases."""
        return np.asarray(self.ids.get_indexer(pd.Index(case_ids)))

    def closed(self, window: Window) -> np.ndarray:
        return self.reach >= window.days + window.grace

    def unseen(self, window: Window, way: str) -> np.ndarray:
        """Closed and not observed to the window's end, but for an event."""
        seen = self._days(OBSERVED[way], -_FAR) >= window.days - window.early
        return self.closed(window) & ~seen & (self.died > window.days)

    @cached_property
    def events(self) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """Category → positions of cases with a counted complication of its main level, and its day (-1 unknown)."""
        rows = self.told.complications
        main = rows["category"].map(dict(self.told.rules.main)) == rows["level"]
        own = rows[main & (rows["status"] == "counted")]
        at = self.at(own["case_id"])
        day = pd.to_numeric(own["day"]).fillna(-1).to_numpy(np.int64)
        return {
            str(key): (at[places], day[places]) for key, places in own.groupby("category").indices.items()
        }

    def with_event(self, category: str, window: Window) -> np.ndarray:
        found = np.zeros(len(self.ids), dtype=bool)
        at, day = self.events.get(category, (np.zeros(0, np.int64), np.zeros(0, np.int64)))
        found[at[day <= window.days]] = True
        return found & self.closed(window)


def _calendar(days: pd.Series) -> np.ndarray:
    """Calendar days as whole numbers; far in the past where there is none."""
    plain = pd.to_datetime(days).to_numpy().astype("datetime64[D]")
    return np.where(np.isnat(plain), -_FAR, plain.astype(np.int64))


def standings(*told: Told) -> tuple[Standing, ...]:
    """The evaluations over all cases that any of them has."""
    ids = pd.Index([])
    for each in told:
        ids = ids.union(each.cases.index)
    groups = tuple(sorted({str(name) for each in told for name in each.cases["group"]}))
    return tuple(Standing(ids, groups, each) for each in told)


def moves(one: Standing, other: Standing) -> pd.DataFrame:
    """Cases that stand in a figure of one evaluation and not, or in another group, of the other.

    Returns:
        `case_id, procedure, category, level, window_days, figure, change` (1 came, -1 went).
    """
    parts = [
        part
        for category in dict.fromkeys([*one.told.rules.main, *other.told.rules.main])
        for days in dict.fromkeys(window.days for each in (one, other) for window in each.told.rules.windows)
        for part in _moves(one, other, category, days)
    ]
    columns = ["case_id", *KEY, "change"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _moves(one: Standing, other: Standing, category: str, days: int) -> list[pd.DataFrame]:
    before, after = _figures(one, category, days), _figures(other, category, days)
    level = (other if category in other.told.rules.main else one).told.rules.main[category]
    parts = []
    for figure in FIGURES:
        left, right = before[figure], after[figure]
        moved = (left != right) | (left & right & (one.group != other.group))
        for standing, inside, change in ((one, left, -1), (other, right, 1)):
            at = np.flatnonzero(moved & inside)
            parts.append(
                pd.DataFrame(
                    {
                        "case_id": one.ids[at],
                        "procedure": np.array(one.groups, dtype=object)[standing.group[at]],
                        "category": category,
                        "level": level,
                        "window_days": days,
                        "figure": figure,
                        "change": change,
                    }
                )
            )
    return [part for part in parts if len(part)]


def _figures(standing: Standing, category: str, days: int) -> dict[str, np.ndarray]:
    """Figure → bool over the cases."""
    rules = standing.told.rules
    window = next((each for each in rules.windows if each.days == days), None)
    if window is None or category not in rules.main:
        return dict.fromkeys(FIGURES, np.zeros(len(standing.ids), dtype=bool))
    event = standing.with_event(category, window)
    return {
        "cases": standing.closed(window),
        "events": event,
        "lost": standing.unseen(window, rules.seen_in[category]) & ~event,
    }


def printed(told: Told) -> pd.DataFrame:
    """The figures of an edition that hold a number: `KEY` and `value`; of all procedures only where events are counted."""
    rates = told.rates
    rates = rates[(rates["procedure"] != ALL) | rates["events"].notna()]
    keys = KEY[:-1]
    long = rates.melt(id_vars=keys, value_vars=list(FIGURES), var_name="figure", value_name="value")
    return long[long["value"].notna()].astype({"value": "int64"}).reset_index(drop=True)


def of_printed(moved: pd.DataFrame, *figures: pd.DataFrame) -> pd.DataFrame:
    """Moves of printed figures only, and once more for all procedures together where that is printed."""
    known = pd.concat(figures)[KEY].drop_duplicates()
    own = moved.merge(known, on=KEY)
    counts = known[(known["figure"] == "events") & (known["procedure"] != ALL)]
    able = moved.merge(counts[["procedure", *OF_CATEGORY]], on=["procedure", *OF_CATEGORY])
    whole = able.assign(procedure=ALL).merge(known, on=KEY)
    return pd.concat([own, whole], ignore_index=True)
