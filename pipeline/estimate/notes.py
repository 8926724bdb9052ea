"""What a row of figures may say about itself, in words for print."""

from __future__ import annotations

import numpy as np

#: More two-sided patients than this among the cases, and intervals are too narrow.
PAIRED_SHARE = 0.05

CANNOT_OCCUR = "cannot occur here: the operation makes no hole"
NOT_FOR_THIS_JOINT = "not defined for this joint"
NOT_DEFINED = "not defined: the window ends before the category begins"
TOO_FEW = "fewer than 10 cases: counts only"
CLUSTERED = "clustered"
CLUSTERED_ARM = (
    "clustered: more than 5 % of an arm's cases are two sides of one patient, so intervals are too narrow"
)
READ_THE_RANGE = "read the range"
SELDOM_ASSESSED = "fewer than half were measured"
ONLY_WHERE_IT_CAN = "counts only operations where it can occur"
RECURRENCE = "recurrence: the operation was done for this"
NEW_HERE = "new: the operation was done for something else"
NOT_POOLED = "not pooled: a recurrence after some of these operations, new after others"
OUTSIDE_PERSON_TIME = (
    "some events lie outside the observed time, or have no day: left out of the figures over time"
)
NO_PERSON_TIME = "events, but no day under observation: no rate over time"
NOT_WATCHED = "nobody was observed to the window's end: no incidence"
NO_RATIO = "ratio not estimable: an arm without events, or with nothing else"
NO_CASES = "an arm has no closed cases"
ONLY_SURGEON = "the only surgeon: what is expected rests on the same cases"
EXPECTED_BY_RATES = (
    "expected from rates by procedure and age band: too few events for a regression, or none settled"
)
NORMAL_LIMITS = "limits from the normal distribution"
NO_SPREAD = "no spread beyond chance was found among surgeons: every steadied ratio is 1"
STEADIED_TOO_NARROW = "steadied limits are too narrow: they leave out how unsure the spread itself is"
NO_ORDER = "no chart: the site's days are shifted or numbered, so the order of operations is not known"
NO_CHART = "no chart: fewer than 10 closed cases"
NEVER_ASKS = "chance alone never takes this chart to its limit"
NOBODY_IN_AN_ARM = "an arm has no cases"
NOTHING_TO_TEST = "no event while both arms were observed: nothing to test"
HALF_NOT_REACHED = "fewer than half had it or died in an arm: no median there"
NO_CASE_OF_AN_AGE = "no case of an age that the others have: nothing to standardise"
NOT_COMPARED = "not compared: it cannot occur, or is not defined, in an arm"


def is_clustered(paired: np.ndarray, cases: np.ndarray) -> np.ndarray:
    """bool: more than `PAIRED_SHARE` of the cases are two sides of one patient."""
    return np.asarray(paired > PAIRED_SHARE * cases)


def together(*notes: str) -> str:
    """Several notes as one; empty ones left out."""
    return "; ".join(note for note in notes if note)
