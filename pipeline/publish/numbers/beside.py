"""Which cases stand behind numbers beside rates: what was known before, sport, readings, courses over time.

As in `facts`, every case is looked at; a list is as long as its number only where the sum is right.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from pipeline.catalogue import complication_of
from pipeline.counts import COVARIATES
from pipeline.handover import NEVER
from pipeline.publish.numbers.facts import CaseFacts
from pipeline.publish.numbers.outcomes import Outcome
from pipeline.publish.numbers.whose import Whose
from pipeline.told_after import Changes, Sport, changes_read, sport_told
from pipeline.watched import LastDays, last_days
from schemas.exports import EXPORTS

#: What a published characteristic is called in the frame of cases, where it is not the same.
CALLED = {"prior_operation_same_joint": "prior_operation"}
YES_NO = ("prior_operation_same_joint", "smoker", "diabetes")
UNKNOWN = "unknown"
REASONS = EXPORTS["followups"]["not_returned_because"].vocabulary


@dataclass(frozen=True)
class Course:
    """How cases leave observation in one outcome; arrays of one length.

    Attributes:
        at: Positions of the cases in the course.
        day: On which each leaves.
        event: bool, with its first event.
        died: bool, with death, without an event before.
    """

    at: np.ndarray
    day: np.ndarray
    event: np.ndarray
    died: np.ndarray

    def observed(self, day: int) -> np.ndarray:
        """Positions of cases free of it and observed at the beginning of a day."""
        return self.at[self.day >= day]

    def had(self, last: int) -> np.ndarray:
        """Positions of cases with the event by a day."""
        return self.at[self.event & (self.day <= last)]

    def of(self, kind: str, day: int) -> np.ndarray:
        """Positions of those `observed` on a day, or that `died` by it."""
        return self.observed(day) if kind == "observed" else self.lost_to_death(day)

    def lost_to_death(self, last: int) -> np.ndarray:
        """Positions of cases of which death by a day came first."""
        return self.at[self.died & (self.day <= last)]


class Beside:
    """Positions of cases, in the order of case ids."""

    def __init__(self, facts: CaseFacts) -> None:
        self.facts = facts
        #: Numbers of one course are asked for one after another.
        self.course = lru_cache(maxsize=4)(self._course)

    @cached_property
    def sport(self) -> Sport:
        return sport_told(self.facts.countable)

    @cached_property
    def changes(self) -> Changes:
        return changes_read(self.facts.countable)

    @cached_property
    def ends(self) -> dict[str, LastDays]:
        return last_days(self.facts.cases, self.facts.settings.windows)

    def known_before(self, whose: Whose, days: int, characteristic: str, value: str) -> np.ndarray:
        """Closed cases with a value of a characteristic; an empty value: of which it is not known.

        Args:
            characteristic, value: As in `baseline`.
        """
        own: np.ndarray = self.facts.closed(whose, days)
        held = self.facts.column(CALLED.get(characteristic, characteristic))[own]
        words = self._words(characteristic)
        if value:
            return own[held == (words.index(value) if words else int(value))]
        unknown = words.index(UNKNOWN) if UNKNOWN in words else -1
        return own[(held < 0) | (held == unknown)]

    def _words(self, characteristic: str) -> tuple[str, ...]:
        """What the whole numbers of a characteristic stand for; none where they are meant as they are."""
        labels = self.facts.labels
        words = {
            "age_band": labels.age_bands,
            "sex": EXPORTS["operations"]["sex"].vocabulary,
            "site": labels.sites,
            "fixation": labels.fixations,
            **dict.fromkeys(YES_NO, ("no", "yes")),
        }
        return tuple(words.get(characteristic) or ())

    def told(self, whose: Whose, what: str, detail: str = "") -> np.ndarray:
        """Cases of an arm whose records reach far enough for an answer, by what was told of them.

        Args:
            what: One of the names below.
            detail: A reason of `not_back`, or a measure of `read_twice` and `not_read_twice`.
        """
        sport = self.sport
        dated = sport.back & (sport.returned < NEVER)
        masks = {
            "did_sport": sport.played,
            "asked": sport.asked,
            "not_asked": sport.played & ~sport.asked,
            "any_return": sport.back,
            "same_or_higher": sport.same,
            "told_a_day": dated,
            "told_no_day": sport.back & ~dated,
        }
        if what == "not_back":
            mask = sport.not_back & (sport.why == (REASONS.index(detail) if detail in REASONS else -1))
        elif what in masks:
            mask = masks[what]
        else:
            mask = sport.told & (self._read_twice(detail) == (what == "read_twice"))
        return np.flatnonzero(mask & self.facts.inside(whose))

    def _read_twice(self, measure: str) -> np.ndarray:
        """bool over all cases: read before and after."""
        changes = self.changes
        own = changes.paired & (changes.measure == self.facts.labels.measures.index(measure))
        mask = np.zeros(len(self.facts.cases), bool)
        mask[changes.at[own]] = True
        return mask

    def lacking(self, whose: Whose, outcome: Outcome) -> np.ndarray:
        """Counted cases of which a covariate of the expected risk is not known."""
        own: np.ndarray = self.facts.counted_over(whose, outcome)
        return own[self._unknown[own]]

    @cached_property
    def _unknown(self) -> np.ndarray:
        """bool over all cases: a covariate is not known."""
        found: np.ndarray = np.logical_or.reduce([self.facts.column(name) < 0 for name in COVARIATES])
        return found

    def last_day(self, category: str) -> int:
        """On which observation of a category ends: that of its longest window."""
        asked = complication_of(self.facts.catalogue, category).windows
        return max(days for days in self.facts.windows if not asked or days in asked)

    def _course(self, whose: Whose, category: str) -> Course:
        """The course of a category's main level from the day of the operation."""
        facts = self.facts
        number = facts.labels.categories.index(category)
        until = self.ends[complication_of(facts.catalogue, category).seen_in]
        first = facts.first_events(
            facts.outcome(category, facts.labels.levels[number][0], self.last_day(category))
        )
        kept = until.kept & facts.inside(whose) & (facts.countable.defined[self._groups, number] == 1)
        event = first <= until.end
        at = np.flatnonzero(kept & ~(event & (first < 0)))
        return Course(at, np.where(event, first, until.end)[at], event[at], (until.died & ~event)[at])

    @property
    def _groups(self) -> np.ndarray:
        found: np.ndarray = self.facts.column("group")
        return found
