"""What a reader of an outward edition has before them: rows of figures, gaps in them, and how such rows are made.

Nothing here or in `system` and `attack` knows a hidden figure; they see what is written and what everybody may know.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from pipeline.catalogue import Catalogue, Level
    from pipeline.settings import Window

#: A row's place. `site` and `procedure` are empty where all are taken together; `figures_of` is the period it was counted for.
PLACE = ("figures_of", "site", "procedure", "category", "level", "window_days")
#: What a row counts; the others follow from these: followed, rates, shares.
COUNTED = ("cases", "lost", "events")
#: A table is one outcome at one date: rows of all sites and procedures.
TABLE = ("figures_of", "category", "level", "window_days")


@dataclass(frozen=True)
class Public:
    """How rows are made, as anyone can read in the definitions.

    Attributes:
        whole: Category that a case has if it has any of `members`.
        members: Categories counted in it, by their main level.
        main: Category → its main level.
        seen_in: Category → the way it is followed.
        open_at: (category, window) where a member may count in `whole` without a row of its own.
        within: (category, level, level): who has the first also has the second.
        nested: A later window closes later, so its cases are among those of an earlier one.
    """

    whole: str
    members: tuple[str, ...]
    main: Mapping[str, str]
    seen_in: Mapping[str, str]
    open_at: frozenset[tuple[str, int]] = frozenset()
    within: tuple[tuple[str, str, str], ...] = ()
    nested: bool = True

    def as_json(self) -> dict[str, Any]:
        return {
            "whole": self.whole, "members": list(self.members), "main": dict(self.main), "seen_in": dict(self.seen_in),
            "open_at": sorted([category, days] for category, days in self.open_at),
            "within": [list(each) for each in self.within], "nested": self.nested,
        }  # fmt: skip


def public_from(told: Mapping[str, Any]) -> Public:
    """From what `as_json` wrote."""
    return Public(
        told["whole"], tuple(told["members"]), told["main"], told["seen_in"],
        frozenset((category, days) for category, days in told["open_at"]),
        tuple((category, inner, outer) for category, inner, outer in told["within"]), told["nested"],
    )  # fmt: skip


def public_of(catalogue: Catalogue, windows: Sequence[Window], whole: str) -> Public:
    """What the catalogue and the windows let everybody know."""
    known = catalogue.complications
    members = tuple(key for key, entry in known.items() if entry.in_any)
    days = [window.days for window in windows]
    hidden = {
        (key, day)
        for key in members
        for day in days
        if (known[key].windows and day not in known[key].windows) or 0 < known[key].first_day == day
    }
    ends = [window.days + window.grace for window in sorted(windows, key=lambda window: window.days)]
    return Public(
        whole,
        members,
        {key: entry.main_level for key, entry in known.items()},
        {**{key: entry.seen_in for key, entry in known.items()}, whole: "visit"},
        frozenset(hidden),
        tuple(
            (key, inner.key, outer.key)
            for key, entry in known.items()
            for inner in entry.levels
            for outer in entry.levels
            if inner is not outer and _within(inner, outer)
        ),
        all(earlier <= later for earlier, later in pairwise(ends)),
    )


def _within(inner: Level, outer: Level) -> bool:
    """Whoever has `inner` has `outer`, as far as their conditions say so."""
    if outer.described or inner.described:
        return False
    alike = ("from_day", "to_day", "or_visits", "threshold", "after_operations")
    plain = all(getattr(inner, name) == getattr(outer, name) for name in alike)
    fewer_kinds = not outer.instability_levels or (
        bool(inner.instability_levels) and set(inner.instability_levels) <= set(outer.instability_levels)
    )
    fewer_energies = not outer.energy or (bool(inner.energy) and set(inner.energy) <= set(outer.energy))
    return plain and fewer_kinds and fewer_energies and (inner.redo or not outer.redo) and outer.times is None


@dataclass(frozen=True)
class Sheet:
    """Figures as written, a gap where one is hidden.

    Attributes:
        rows: Columns `PLACE` and `COUNTED` (floats, NaN is a gap). Only rows whose counts mean something.
        arms: Of the stated comparison: `TABLE`, `arm`, `procedure` (whose cases it is part of; empty: all), `COUNTED`.
        entered: Site → index cases, as the flow of cases states them.
        public: How rows are made.
    """

    rows: pd.DataFrame
    arms: pd.DataFrame
    entered: Mapping[tuple[str, str], int]
    public: Public


@dataclass(frozen=True)
class Grid:
    """The rows in their places: `row[table, site, procedure]` is a row's number or -1; place 0 is all together."""

    row: np.ndarray
    tables: pd.DataFrame
    sites: tuple[str, ...]
    procedures: tuple[str, ...]

    @property
    def parts(self) -> np.ndarray:
        """bool [table, site, procedure]: rows of one site and one procedure, of which all others are sums."""
        inner = np.zeros(self.row.shape, dtype=bool)
        inner[:, 1:, 1:] = self.row[:, 1:, 1:] >= 0
        return inner


def grid_of(rows: pd.DataFrame) -> Grid:
    """Places of the rows; tables, sites and procedures in sorted order."""
    tables = rows[list(TABLE)].drop_duplicates().sort_values(list(TABLE), ignore_index=True)
    number = tables.assign(table=np.arange(len(tables)))
    at = rows[list(TABLE)].merge(number, on=list(TABLE), how="left")["table"].to_numpy()
    sites = ("", *sorted(set(rows["site"]) - {""}))
    procedures = ("", *sorted(set(rows["procedure"]) - {""}))
    place = np.full((len(tables), len(sites), len(procedures)), -1, dtype=np.int64)
    site = rows["site"].map({name: n for n, name in enumerate(sites)}).to_numpy(dtype=np.int64)
    procedure = rows["procedure"].map({name: n for n, name in enumerate(procedures)}).to_numpy(dtype=np.int64)
    place[at, site, procedure] = np.arange(len(rows))
    return Grid(place, tables, sites, procedures)
