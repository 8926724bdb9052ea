"""Numbers and words as they stand in print."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline.publish import words


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("2026-10", "October 2026"),
        ("2026-Q4", "fourth quarter of 2026"),
        ("2026", "2026"),
        ("2026-13", "2026-13"),
    ],
)
def test_periods(name: str, told: str) -> None:
    assert words.period(name) == told


@pytest.mark.parametrize(
    ("function", "value", "told"),
    [
        (words.day, date(2026, 3, 1), "1 March 2026"),
        (words.day, None, "–"),
        (words.count, 1234567, "1\u2009234\u2009567"),
        (words.count, None, "–"),
        (words.percent, 2 / 21, "9.5\u00a0%"),
        (words.percent, float("nan"), "–"),
        (words.percent, 0.0, "0.0\u00a0%"),
        (words.percent, 0.0006, "0.1\u00a0%"),
        (words.percent, 0.0003, "0.03\u00a0%"),
        (words.percent, 0.000001, "below 0.001\u00a0%"),
        (words.points, -0.5591, "−55.9"),
        (words.points, 0.3458, "+34.6"),
        (words.points, -0.0001, "+0.0"),
        (words.probability, 0.005339, "0.005"),
        (words.probability, 0.0001, "below 0.001"),
        (words.probability, 1.0, "1.00"),
        (words.plain, "quarantined", "held back"),
        (words.plain, "single_reading", "single reading"),
        (words.plain, None, "–"),
        (words.sentence, "held back", "Held back"),
        (words.listed, ["a", "b", "c"], "a, b and c"),
        (words.listed, ["a"], "a"),
        (words.listed, [], ""),
    ],
)
def test_in_print(function: object, value: object, told: str) -> None:
    assert function(value) == told  # type: ignore[operator]


def test_ratios_carry_their_limits() -> None:
    assert words.ratio(6.36, 0.32, float("inf")) == "6.36 (0.32–∞)"
    assert words.ratio(None, None, None) == "–"


def test_cautions_keep_the_sense() -> None:
    said = " ".join(words.CAUTIONS)
    for needed in (
        "not a trial", "chosen", "chance alone", "interval", "without an operation", "latest months", "limit",
        "ranking", "pay", "publicity", "one patient", "information-governance", "law",
    ):  # fmt: skip
        assert needed in said
