"""Curves of parts of the cases, laid together from the additive counts of how cases leave observation."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.catalogue import Catalogue, complication_of
from pipeline.counts import WAYS, Cells, Ends, Outcomes
from pipeline.estimate.curve_readings import Reading, read_at
from pipeline.estimate.curves import Leaving, curves, leaving
from pipeline.handover import Labels

ALL = NOBODY = -1
LARGEST_BLOCK = 4_000_000  # rows of counts laid out at once, to bound memory


@dataclass(frozen=True)
class Courses:
    """Counts of the parts that one stratum and the procedures make; each part has its curve.

    Attributes:
        value, group: int64 [part]: what each part is; group -1 is all procedures together.
        rows: Who leaves when, in which part.
        defined: Groups × categories, as in `Counts`.
        way: int64 [category], position in `WAYS`.
        last: int64 [category], last day of its last window; curves end there.
    """

    value: np.ndarray
    group: np.ndarray
    rows: _Rows
    defined: np.ndarray
    way: np.ndarray
    last: np.ndarray

    def of_each(self, several: Sequence[tuple[int, int]]) -> Leaving:
        """Who leaves when in each part, for each category and level; only where the category can occur.

        Strata are the parts for the first, then the parts for the second, and so on.
        """
        rows, parts = self.rows, len(self.value)
        chosen = [self._chosen(category, level) for category, level in several]
        at, number = (
            np.concatenate(chosen),
            np.repeat(np.arange(len(several)), [len(each) for each in chosen]),
        )
        last = self.last[[category for category, _ in several]][number]
        late = rows.day[at] > last
        everybody = (rows.event + rows.competing + rows.censored)[at]
        stratum = np.concatenate([parts * number + rows.part[at], parts * number + rows.whole[at]])
        return leaving(
            stratum,
            day=np.tile(np.minimum(rows.day[at], last), 2),
            event=np.tile(np.where(late, 0, rows.event[at]), 2),
            competing=np.tile(np.where(late, 0, rows.competing[at]), 2),
            censored=np.tile(np.where(late, everybody, rows.censored[at]), 2),
            strata=parts * len(several),
        )

    def _chosen(self, category: int, level: int) -> np.ndarray:
        rows = self.rows
        own = (rows.way == self.way[category]) | ((rows.category == category) & (rows.level == level))
        return np.flatnonzero(own & (self.defined[rows.group, category] == 1))

    def blocks(self, several: Sequence[tuple[int, int]]) -> Iterator[Sequence[tuple[int, int]]]:
        """Categories and levels in turn, few enough at a time to bound memory."""
        size = max(1, LARGEST_BLOCK // max(1, 2 * len(self.rows.day)))
        for begin in range(0, len(several), size):
            yield several[begin : begin + size]


@dataclass(frozen=True)
class _Rows:
    """Rows of `Ends`, those of all outcomes first; int64 arrays of one length.

    Attributes:
        part, whole: The part of its own procedure, and that of all procedures together.
        group: Of the cases.
        way: Of rows that all outcomes share, else -1.
        category, level: Of rows that one outcome moves, else -1.
        day, event, competing, censored: As in `Ends`.
    """

    part: np.ndarray
    whole: np.ndarray
    group: np.ndarray
    way: np.ndarray
    category: np.ndarray
    level: np.ndarray
    day: np.ndarray
    event: np.ndarray
    competing: np.ndarray
    censored: np.ndarray


def _rows(base: Cells, moved: Cells, stratum: str, value: np.ndarray, group: np.ndarray) -> _Rows:
    keys = pd.concat([base.keys, moved.keys], ignore_index=True)
    keys = keys.reindex(columns=[*base.keys.columns, "category", "level"]).fillna(NOBODY).astype(np.int64)
    own = keys[stratum].to_numpy() if stratum else np.zeros(len(keys), np.int64)
    procedure = keys["group"].to_numpy()
    return _Rows(
        part=_places(own, procedure, value, group),
        whole=_places(own, np.full(len(own), ALL, np.int64), value, group),
        group=procedure,
        event=np.concatenate([np.zeros(len(base.keys), np.int64), moved["event"]]),
        **{name: keys[name].to_numpy() for name in ("way", "category", "level", "day")},
        **{name: np.concatenate([base[name], moved[name]]) for name in ("competing", "censored")},
    )


def _places(value: np.ndarray, group: np.ndarray, values: np.ndarray, groups: np.ndarray) -> np.ndarray:
    """Position of the parts with these values and groups, all of which exist."""
    width = int(groups.max(initial=ALL)) + 2
    known = (values + 1) * width + groups + 1
    order = np.argsort(known, kind="stable")
    return order[np.searchsorted(known, (value + 1) * width + group + 1, sorter=order)]


def courses_of(
    ends: Ends,
    stratum: str,
    parts: tuple[np.ndarray, np.ndarray],
    defined: np.ndarray,
    outcomes: Outcomes,
    labels: Labels,
    catalogue: Catalogue,
) -> Courses:
    """Counts folded to one stratum.

    Args:
        ends: Of all cases.
        stratum: Name of a key of `ends`, or empty.
        parts: Values and groups of the parts; holds every value and group with a case, and -1 for each value.
        defined: Groups × categories, as in `Counts`.
        outcomes: Their windows say until when each category is watched.
        labels: Names the categories.
        catalogue: Says how each is observed.
    """
    key = [stratum] if stratum else []
    last = np.full(len(labels.categories), -1, np.int64)
    np.maximum.at(last, outcomes.category, outcomes.window_days)
    way = [WAYS.index(complication_of(catalogue, name).seen_in) for name in labels.categories]
    base = ends.base.by(*key, "group", "way", "day")
    moved = ends.moved.by(*key, "group", "category", "level", "day")
    return Courses(*parts, _rows(base, moved, stratum, *parts), defined, np.array(way, np.int64), last)


def incidences(courses: Courses, outcomes: Outcomes, early: Mapping[int, int], confidence: float) -> Reading:
    """Cumulative incidence at the end of each window; arrays [part, outcome], nan where nobody was watched so long.

    Args:
        courses: Of the parts.
        outcomes: What is read.
        early: Window's last day → how many days before it someone must still have been under observation.
        confidence: Between 0 and 1.
    """
    parts = len(courses.value)
    values = np.full((3, parts, len(outcomes)), np.nan)
    listed = list(zip(outcomes.category.tolist(), outcomes.level.tolist(), strict=True))
    for several in courses.blocks(list(dict.fromkeys(listed))):
        found = curves(courses.of_each(several), confidence)
        own = [column for column, pair in enumerate(listed) if pair in several]
        place = np.array([several.index(listed[column]) for column in own])
        day = outcomes.window_days[own]
        watched_to = day - np.array([early[each] for each in day.tolist()])
        stratum = np.arange(parts)[:, None] + parts * place
        read = read_at(found, stratum, *(np.broadcast_to(each, stratum.shape) for each in (day, watched_to)))
        values[:, :, own] = read.incidence.each
    return Reading(*values)
