"""What may be said of the stated comparison: one of a few sentences, chosen by the intervals."""

from __future__ import annotations

from dataclasses import dataclass

NO_CASES = "Nothing can be compared yet: an arm has no closed cases."
NOT_COMPARED = "Not compared: it cannot occur, or is not defined, in an arm."


@dataclass(frozen=True)
class Difference:
    """A risk difference with its limits, as fractions."""

    low: float
    high: float

    @property
    def direction(self) -> int:
        """1 more in a, -1 fewer in a, 0 the interval holds none."""
        return int(self.low > 0) - int(self.high < 0)

    def words(self) -> str:
        """`from 13 fewer to 4 more per 100`."""
        return f"from {_per_hundred(self.low)} to {_per_hundred(self.high)} per 100"


def _per_hundred(value: float) -> str:
    """Never rounded to 0 or across it: what is printed lies on the same side as the limit."""
    if value == 0:
        return "0"
    number = f"{abs(100 * value):.1f}".removesuffix(".0")
    return f"{'under 0.1' if number == '0' else number} {'fewer' if value < 0 else 'more'}"


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
        cases = "case is" if lost == 1 else "cases are"
        return f"It depends on how the {lost} lost {cases} counted: no verdict."
    anything = f"compatible with anything {all_cases.words()} with {a} than with {b}."
    if (all_cases.direction != 0) != (p_exact < alpha):
        return f"Borderline: interval and test do not agree. The counts are {anything}"
    if all_cases.direction == 0:
        return f"These counts cannot tell the two apart: they are {anything}"
    more, fewer = (a, b) if all_cases.direction > 0 else (b, a)
    return (
        f"More with {more} than with {fewer} in these records: {all_cases.words()} with {a} than with {b}. "
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
