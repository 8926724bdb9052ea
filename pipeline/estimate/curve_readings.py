"""What is read off a curve: its value and the number at risk at given days, and the median time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.estimate.curves import Curve, Curves, Leaving

_HALF = 0.5 + 1e-12  # a product that ought to be a half may come out a rounding error above it


@dataclass(frozen=True)
class Reading:
    """A share at one day of one stratum; nan where the curve does not reach that day."""

    share: np.ndarray
    low: np.ndarray
    high: np.ndarray

    @property
    def each(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Share and both limits."""
        return self.share, self.low, self.high


@dataclass(frozen=True)
class Readings:
    """Curves read at given days, arrays of one shape.

    Attributes:
        at_risk: int64, cases observed on that day or longer.
        event_free: Neither event nor competing event up to that day.
        incidence: Event first, up to that day.
    """

    at_risk: np.ndarray
    event_free: Reading
    incidence: Reading


@dataclass(frozen=True)
class Medians:
    """First day by which half have had the event or the competing one, per stratum; nan where it is not reached.

    Attributes:
        day: First day on which the event-free share is a half or less.
        low, high: First days on which its lower, its upper limit is a half or less (Brookmeyer & Crowley 1982,
            Biometrics 38:29). Only limits of the log-log scale count, so a curve that falls from 1 to 0 in a day has none.
    """

    day: np.ndarray
    low: np.ndarray
    high: np.ndarray


def number_at_risk(counts: Leaving, stratum: np.ndarray, day: np.ndarray) -> np.ndarray:
    """int64: cases of the stratum that leave on the day or later; arguments are arrays of one length."""
    row, found = _first_from(counts, stratum, day)
    risk = np.append(counts.at_risk, 0)
    return np.where(found, risk[row], 0)


def _first_from(counts: Leaving, stratum: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The first row of the stratum on or after the day, and whether there is one."""
    span = int(max(counts.day.max(initial=0), np.max(day, initial=0))) + 2
    row = np.searchsorted(counts.stratum * span + counts.day, np.asarray(stratum) * span + day)
    found = np.append(counts.stratum, -1)[row] == stratum
    return row, found


def read_at(
    found: Curves, stratum: np.ndarray, day: np.ndarray, watched_to: np.ndarray | None = None
) -> Readings:
    """The curves of the given strata at the given days.

    A curve is read on where it was left level, if someone was still watched on `watched_to` or everyone had one of
    the events before; else it says nothing about that day.

    Args:
        found: Curves of all strata.
        stratum: int64, one a reading.
        day: int64, same shape: the last day that counts.
        watched_to: int64, same shape: on this day or later someone must still have been under observation. A window
            that is complete some days early gives those here. Default: the day itself.
    """
    stratum, day = np.asarray(stratum, dtype=np.int64), np.asarray(day, dtype=np.int64)
    watched = day if watched_to is None else np.minimum(np.asarray(watched_to, dtype=np.int64), day)
    after, _ = _first_from(found.leaving, stratum, day + 1)
    row = after - 1  # the last row up to the day, where it is of this stratum
    begun = (row >= 0) & (np.append(found.leaving.stratum, -1)[row] == stratum)
    watchers = number_at_risk(found.leaving, stratum, np.maximum(watched, 0))
    place = _Place(row, begun, watchers, found.confidence)
    return Readings(
        number_at_risk(found.leaving, stratum, day),
        place.of(found.event_free, found.event_free, start=1.0),
        place.of(found.incidence, found.event_free, start=0.0),
    )


@dataclass(frozen=True)
class _Place:
    """Rows to read at, whether the stratum has such a row, and how many were watched long enough."""

    row: np.ndarray
    begun: np.ndarray
    watchers: np.ndarray
    confidence: float

    def of(self, curve: Curve, event_free: Curve, start: float) -> Reading:
        """The curve's values there; `start` is where it begins."""
        share, low, high = (
            np.where(self.begun, np.append(values, np.nan)[self.row], start)
            for values in (curve.share, curve.low, curve.high)
        )
        over = self.begun & (np.append(event_free.share, 1.0)[self.row] == 0)
        still = (share == start) & (self.watchers > 0)
        none = (1 - self.confidence) / 2
        far = none ** (1 / np.maximum(self.watchers, 1))  # exact limit for none among those watched
        low, high = (
            np.where(still, end, usual) for end, usual in ((start * far, low), (1 - (1 - start) * far, high))
        )
        known = over | (self.watchers > 0)
        return Reading(*(np.where(known, values, np.nan) for values in (share, low, high)))


def medians(found: Curves) -> Medians:
    """Median time to the event or the competing one, with its limits, of every stratum."""
    share = found.event_free.share
    inside = (share > 0) & (share < 1)
    return Medians(
        _first_day(found.leaving, share <= _HALF),
        _first_day(found.leaving, inside & (found.event_free.low <= _HALF)),
        _first_day(found.leaving, inside & (found.event_free.high <= _HALF)),
    )


def _first_day(counts: Leaving, reached: np.ndarray) -> np.ndarray:
    """float [stratum]: day of the first row that is marked, nan if none is."""
    rows = np.flatnonzero(reached)
    first = np.full(counts.strata, len(counts.day), np.int64)
    np.minimum.at(first, counts.stratum[rows], rows)
    return np.append(counts.day.astype(float), np.nan)[first]
