"""What may be said of the stated comparison: one of a few sentences, chosen by the intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

NO_CASES = "Nothing can be compared yet: an arm has no closed cases."
NOT_COMPARED = "Not compared: it cannot occur, or is not defined, in an arm."
NOBODY_ASKED = "Nothing can be compared yet: in an arm nobody was asked."
NO_SPORT = "Nothing can be compared yet: in an arm nobody is known to have done sport before."
NO_SPREAD = "Nothing can be compared yet: in an arm fewer than two changed, or all changed alike."
NO_DAYS = "Nothing can be compared yet: in an arm nobody told the day of return."
SIDE_BY_SIDE = "Set side by side only: days are known of those who came back, and who comes back may differ between the arms."
#: Before every sentence on anything but the stated comparison.
DESCRIPTIVE = "Descriptive, not tested."


@dataclass(frozen=True)
class Difference:
    """The limits of a risk difference, as fractions."""

    low: float
    high: float
    of: ClassVar[str] = "counts"
    more: ClassVar[str] = "More"

    @property
    def direction(self) -> int:
        """1 more in a, -1 fewer in a, 0 the interval holds none."""
        return int(self.low > 0) - int(self.high < 0)

    def words(self) -> str:
        """`from 13 fewer to 4 more per 100`."""
        return f"from {_per_hundred(self.low)} to {_per_hundred(self.high)} per 100"


@dataclass(frozen=True)
class ChangeDifference(Difference):
    """The limits of a difference of mean changes, in the unit of the measure."""

    of: ClassVar[str] = "readings"
    more: ClassVar[str] = "Higher"

    def words(self) -> str:
        """`from 3.1 lower to 4 higher`."""
        return f"from {_told(self.low, 'lower', 'higher')} to {_told(self.high, 'lower', 'higher')}"


def _per_hundred(value: float) -> str:
    return _told(100 * value, "fewer", "more")


def _told(value: float, below: str, above: str) -> str:
    """Never rounded to 0 or across it: what is printed lies on the same side as the limit."""
    if value == 0:
        return "0"
    number = f"{abs(value):.1f}".removesuffix(".0")
    return f"{'under 0.1' if number == '0' else number} {below if value < 0 else above}"


def verdict_of(
    a: str,
    b: str,
    all_cases: Difference,
    followed: Difference | None,
    lost: int,
    p_exact: float,
    alpha: float,
) -> str:
    """The sentence for the primary comparison.

    Args:
        a, b: Names of the arms.
        all_cases: Counted over all closed cases.
        followed: Counted over followed cases; None if an arm has none.
        lost: Lost cases of both arms.
        p_exact: Of the test beside the interval.
        alpha: 1 less the confidence of the intervals; the test is held against it.
    """
    if followed is None or followed.direction != all_cases.direction:
        return _depends(lost, "lost")
    if (all_cases.direction != 0) != (p_exact < alpha):
        return f"Borderline: interval and test do not agree. The counts are {_anything(a, b, all_cases)}"
    return _interval_says(a, b, all_cases)


def described(
    a: str, b: str, found: Difference, otherwise: Difference | None, unknown: int, called: str = "lost"
) -> str:
    """The sentence for what is only described: the same words by the interval alone, nothing tested.

    Args:
        a, b: Names of the arms.
        found: As counted.
        otherwise: With those of whom it is not known counted the other way; None if an arm has nobody then.
        unknown: How many they are in both arms.
        called: What such cases are called.
    """
    decided = otherwise is not None and otherwise.direction == found.direction
    return f"{DESCRIPTIVE} {_interval_says(a, b, found) if decided else _depends(unknown, called)}"


def _depends(unknown: int, called: str) -> str:
    cases = "case is" if unknown == 1 else "cases are"
    return f"It depends on how the {unknown} {called} {cases} counted: no verdict."


def _anything(a: str, b: str, found: Difference) -> str:
    return f"compatible with anything {found.words()} with {a} than with {b}."


def _interval_says(a: str, b: str, found: Difference) -> str:
    if found.direction == 0:
        return f"These {found.of} cannot tell the two apart: they are {_anything(a, b, found)}"
    more, fewer = (a, b) if found.direction > 0 else (b, a)
    return (
        f"{found.more} with {more} than with {fewer} in these records: {found.words()} with {a} than with {b}. "
        "Who was chosen for which operation may explain it."
    )


def within_age_said(
    a: str, b: str, crude: Difference, adjusted: Difference | None, hardly_overlap: bool
) -> str:
    """What comparing within age bands adds to the verdict; empty where it cannot be said.

    Args:
        a, b: Names of the arms.
        crude: All ages together.
        adjusted: Over age bands; None if it cannot be estimated.
        hardly_overlap: Because under half of an arm's cases are of an age that the other arm has too.
    """
    if hardly_overlap:
        return "These groups hardly overlap in age: what age does and what the operation does cannot be told apart."
    if adjusted is None:
        return ""
    counts = f"{adjusted.words()} with {a} than with {b}."
    if adjusted.direction == 0:
        either, also = (" either", "") if crude.direction == 0 else ("", " Age may explain the difference.")
        return f"Within age bands the counts cannot tell them apart{either}: {counts}{also}"
    if adjusted.direction == crude.direction:
        return f"Within age bands it points the same way: {counts}"
    if adjusted.direction == -crude.direction:
        return f"Within age bands it points the other way: {counts}"
    return f"Only within age bands it is more with {a if adjusted.direction > 0 else b}: {counts}"
