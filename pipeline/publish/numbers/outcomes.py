"""What became of cases in one outcome: who had it, was watched, awaits review, died or was measured."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np


@dataclass(frozen=True)
class Outcome:
    """A category and level within a window, by their places in `Labels`; `laid` as in `Whose`."""

    category: int
    level: int
    days: int
    laid: bool = False


@dataclass(frozen=True)
class Having:
    """What became of every case in one outcome; bool arrays over all cases, closed or not.

    Attributes:
        event: A counted complication by the window's last day; one of unknown day is in every window.
        quiet: Watched to the end of the window, or dead by then.
        awaiting: Evidence under review by then, and no event.
        died: Dead by then, and without an earlier event.
        assessed: Measured or with an event, where the category is measured at all.
        all_watched: No closed case with an event was watched for a shorter time than one without would have to be.
    """

    event: np.ndarray
    quiet: np.ndarray
    awaiting: np.ndarray
    died: np.ndarray
    assessed: np.ndarray
    all_watched: bool

    def kind(self, kind: str, own: np.ndarray) -> np.ndarray:
        """bool: which of some closed cases are of a kind of number, one of `register.KINDS` but `cases`."""
        masks: dict[str, Callable[[], np.ndarray]] = {
            "followed": lambda: self.event[own] | self.quiet[own],
            "lost": lambda: ~(self.event[own] | self.quiet[own]),
            "events": lambda: self.event[own],
            "awaiting": lambda: self.awaiting[own],
            "deaths": lambda: self.died[own],
            "assessed": lambda: self.assessed[own],
            "events_or_lost": lambda: self.event[own] | ~self.quiet[own],
        }
        return masks[kind]()

    @cached_property
    def states(self) -> np.ndarray:
        """int8 over all cases: 0 with an event, 8 watched without, 16 lost; and 1 awaiting, 2 assessed, 4 died."""
        found = np.where(self.event, 0, np.where(self.quiet, 8, 16)).astype(np.int8)
        for bit, mask in enumerate((self.awaiting, self.assessed, self.died)):
            found |= mask.astype(np.int8) << np.int8(bit)
        return found

    @cached_property
    def nobody(self) -> frozenset[str]:
        """Kinds of which no case is."""
        masks = {
            "events": self.event,
            "awaiting": self.awaiting,
            "deaths": self.died,
            "assessed": self.assessed,
        }
        return frozenset(kind for kind, mask in masks.items() if not mask.any())


class Found(NamedTuple):
    """Complications, a row each, in the order of their cases; day -1 is unknown and within every window."""

    case: np.ndarray
    category: np.ndarray
    day: np.ndarray
    strength: np.ndarray

    def within(self, days: int) -> Found:
        """Those by a window's last day."""
        return self._where(self.day <= days)

    def of(self, cases: Sequence[int]) -> Found:
        """Those of some cases, looking at no others."""
        return self._where(rows_of_cases(self.case, cases))

    def _where(self, kept: np.ndarray) -> Found:
        return Found(*(column[kept] for column in self))


def together(parts: Sequence[Found]) -> Found:
    """Some after the others."""
    return Found(*(np.concatenate(each) for each in zip(*parts, strict=True)))


def rows_of_cases(known: np.ndarray, cases: Sequence[int]) -> np.ndarray:
    """Positions at which some cases stand in rising numbers of cases, in which a case may stand several times."""
    wanted = np.unique(np.asarray(cases, np.int64))
    begins, ends = (np.searchsorted(known, wanted, side) for side in ("left", "right"))
    many = ends - begins
    return np.repeat(begins - np.append(0, np.cumsum(many)[:-1])[: len(many)], many) + np.arange(many.sum())


NOTHING_FOUND = Found(*(np.zeros(0, np.int64) for _ in Found._fields))
