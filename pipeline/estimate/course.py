"""Curves of parts of the cases, laid together from the additive counts of how cases leave observation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.catalogue import Catalogue, complication_of
from pipeline.counts import WAYS, Cells, Ends, Outcomes
from pipeline.estimate.curve_readings import Reading, read_at
from pipeline.estimate.curves import Curves, Leaving, curves, leaving
from pipeline.handover import Labels

ALL = -1


@dataclass(frozen=True)
class Courses:
    """Counts of the parts that one stratum and the procedures make; each part has its curve.

    Attributes:
        base, moved: As in `Ends`, folded to the stratum and the group.
        stratum: Name of the key that divides them; empty if nothing does.
        value, group: int64 [part]: what each part is; group -1 is all procedures together.
        defined: Groups × categories, as in `Counts`.
        way: int64 [category], position in `WAYS`.
        last: int64 [category], last day of its last window; curves end there.
    """

    base: Cells
    moved: Cells
    stratum: str
    value: np.ndarray
    group: np.ndarray
    defined: np.ndarray
    way: np.ndarray
    last: np.ndarray

    def of(self, category: int, level: int) -> Leaving:
        """Who leaves when in each part; only where the category can occur."""
        base = self.base.where(self.base.keys["way"].to_numpy() == self.way[category])
        keys = self.moved.keys
        moved = self.moved.where(
            (keys["category"].to_numpy() == category) & (keys["level"].to_numpy() == level)
        )
        found = [_Rows.of(cells, self, category) for cells in (base, moved)]
        return _Rows.together([*found, *(rows.as_all(self) for rows in found)]).leaving(len(self.value))

    def places(self, value: np.ndarray, group: np.ndarray) -> np.ndarray:
        """Position of the parts with these values and groups, all of which exist."""
        width = len(self.defined) + 1
        known = (self.value + 1) * width + self.group + 1
        order = np.argsort(known, kind="stable")
        return order[np.searchsorted(known, (value + 1) * width + group + 1, sorter=order)]


@dataclass(frozen=True)
class _Rows:
    """Rows of counts, each of one part, none later than the category's last day."""

    part: np.ndarray
    value: np.ndarray
    day: np.ndarray
    event: np.ndarray
    competing: np.ndarray
    censored: np.ndarray

    @classmethod
    def of(cls, cells: Cells, courses: Courses, category: int) -> _Rows:
        group = cells.keys["group"].to_numpy(np.int64)
        can = courses.defined[group, category] == 1
        own, group = cells.where(can), group[can]
        name = courses.stratum
        value = own.keys[name].to_numpy(np.int64) if name else np.zeros(len(group), np.int64)
        day, last = own.keys["day"].to_numpy(np.int64), courses.last[category]
        event = own.statistics.get("event", np.zeros(len(group), np.int64))
        late, total = day > last, event + own["competing"] + own["censored"]
        return cls(
            courses.places(value, group),
            value,
            np.minimum(day, last),
            np.where(late, 0, event),
            np.where(late, 0, own["competing"]),
            np.where(late, total, own["censored"]),
        )

    def as_all(self, courses: Courses) -> _Rows:
        """The same counts in the parts of all procedures together."""
        part = courses.places(self.value, np.full(len(self.value), ALL, np.int64))
        return _Rows(part, self.value, self.day, self.event, self.competing, self.censored)

    @classmethod
    def together(cls, several: Sequence[_Rows]) -> _Rows:
        names = ("part", "value", "day", "event", "competing", "censored")
        return cls(*(np.concatenate([getattr(rows, name) for rows in several]) for name in names))

    def leaving(self, parts: int) -> Leaving:
        return leaving(self.part, self.day, self.event, self.competing, self.censored, parts)


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
    return Courses(
        ends.base.by(*key, "group", "way", "day"),
        ends.moved.by(*key, "group", "category", "level", "day"),
        stratum,
        *parts,
        defined,
        np.array(way, np.int64),
        last,
    )


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
    listed = zip(outcomes.category.tolist(), outcomes.level.tolist(), strict=True)
    for category, level in dict.fromkeys(listed):
        found = curves(courses.of(category, level), confidence)
        for column in np.flatnonzero((outcomes.category == category) & (outcomes.level == level)):
            day = int(outcomes.window_days[column])
            values[:, :, column] = _at(found, parts, day, day - early[day])
    return Reading(*values)


def _at(found: Curves, parts: int, day: int, watched_to: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    days, watched = np.full(parts, day, np.int64), np.full(parts, watched_to, np.int64)
    read = read_at(found, np.arange(parts, dtype=np.int64), days, watched).incidence
    return read.share, read.low, read.high
