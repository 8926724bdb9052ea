"""No sentence is given for intervals that do not bear it."""

import itertools
import re

import pytest

from pipeline.estimate.two_arms import Arms, risk_difference
from pipeline.estimate.verdicts import (
    DESCRIPTIVE,
    ChangeDifference,
    Difference,
    described,
    verdict_of,
    within_age_said,
)
from tests.estimate.test_every_table import every_table

POINTS = (-0.3, -0.1, 0.0, 0.1, 0.3)
INTERVALS = [Difference(low, high) for low, high in itertools.combinations_with_replacement(POINTS, 2)]
GRID = [
    (all_cases, followed, p, alpha)
    for all_cases in INTERVALS
    for followed in [*INTERVALS, None]
    for p in (0.001, 0.04, 0.06, 0.9)
    for alpha in (0.05, 0.10)
]
BEGINNINGS = {
    "It depends on how": "lost decide",
    "Borderline:": "disagree",
    "These counts cannot tell": "cannot tell",
    "More with peg": "more in a",
    "More with wire": "more in b",
}


def said(all_cases, followed, p, alpha, lost=3):
    return verdict_of("peg", "wire", all_cases, followed, lost, p, alpha)


def kind(sentence: str) -> str:
    (found,) = [name for beginning, name in BEGINNINGS.items() if sentence.startswith(beginning)]
    return found


def sides(interval: Difference | None) -> set[str]:
    """Directions that an interval is compatible with."""
    if interval is None:
        return set()
    return {name for name, holds in (("a", interval.high >= 0), ("b", interval.low <= 0)) if holds}


def test_a_direction_is_named_only_where_both_intervals_and_the_test_bear_it():
    for all_cases, followed, p, alpha in GRID:
        told = kind(said(all_cases, followed, p, alpha))
        for name, side in (("more in a", {"a"}), ("more in b", {"b"})):
            borne = sides(all_cases) == sides(followed) == side and p < alpha
            assert (told == name) == borne


def test_nothing_is_told_apart_only_where_both_intervals_hold_none():
    for all_cases, followed, p, alpha in GRID:
        told = kind(said(all_cases, followed, p, alpha))
        open_ended = sides(all_cases) == sides(followed) == {"a", "b"} and p >= alpha
        assert (told == "cannot tell") == open_ended


def test_lost_cases_decide_where_the_two_ways_of_counting_differ():
    for all_cases, followed, p, alpha in GRID:
        told = kind(said(all_cases, followed, p, alpha))
        assert (told == "lost decide") == (sides(all_cases) != sides(followed))


def test_every_sentence_occurs_and_none_claims_more():
    sentences = {said(*each) for each in GRID}
    assert {kind(sentence) for sentence in sentences} == set(BEGINNINGS.values())
    claims = ("no difference", "better", "worse", "safe", "prove", "significan", "equal", "same", "caus")
    assert not [s for s in sentences if any(claim in s.lower() for claim in claims)]


def test_the_interval_stands_in_every_sentence_that_judges():
    for all_cases, followed, p, alpha in GRID:
        sentence = said(all_cases, followed, p, alpha)
        if kind(sentence) != "lost decide":
            assert all_cases.words() in sentence


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        (Difference(-0.1316, 0.0449), "from 13.2 fewer to 4.5 more per 100"),
        (Difference(0.02, 0.3), "from 2 more to 30 more per 100"),
        (Difference(-0.0001, 1.0), "from under 0.1 fewer to 100 more per 100"),
        (Difference(0.0004, 0.0006), "from under 0.1 more to 0.1 more per 100"),
        (Difference(0.0, 0.25), "from 0 to 25 more per 100"),
    ],
    ids=["both sides", "whole numbers", "hardly fewer", "hardly more", "none"],
)
def test_an_interval_in_words(interval, words):
    assert interval.words() == words


@pytest.mark.parametrize(("lost", "words"), [(1, "the 1 lost case is"), (8, "the 8 lost cases are")])
def test_how_many_were_lost(lost, words):
    assert words in said(Difference(-0.1, 0.1), None, 0.5, 0.05, lost)


FINE = [
    Difference(low, high)
    for low, high in itertools.combinations_with_replacement(
        (-1.0, -0.2, -0.0006, -0.0004, -1e-9, 0.0, 1e-9, 0.0004, 0.0006, 0.2, 1.0), 2
    )
]


def printed_sides(sentence: str) -> set[str]:
    """Directions that the interval is compatible with as it stands in print: nothing but words to go by."""
    low, high = re.search(r"from (.+?) to (.+?) per 100", sentence).groups()
    sides = {"fewer" if low.endswith("fewer") else "more" if low.endswith("more") else "none"}
    sides |= {"fewer" if high.endswith("fewer") else "more" if high.endswith("more") else "none"}
    return sides


@pytest.mark.parametrize("p", [0.001, 0.5])
def test_a_reader_of_the_sentence_alone_sees_an_interval_that_bears_it(p):
    """Intervals whose limits round to nothing at one digit must still be printed on their side of it."""
    for interval in FINE:
        sentence = said(interval, interval, p, 0.05)
        told, sides = kind(sentence), printed_sides(sentence)
        if told in ("more in a", "more in b"):
            assert sides == {"more" if told == "more in a" else "fewer"}
        if told == "cannot tell":
            assert sides not in ({"more"}, {"fewer"})


AGE_BEGINNINGS = {
    "These groups hardly overlap in age": "hardly overlap",
    "Within age bands the counts cannot tell them apart either:": "neither",
    "Within age bands the counts cannot tell them apart:": "age may explain",
    "Within age bands it points the same way:": "same way",
    "Within age bands it points the other way:": "other way",
    "Only within age bands it is more with peg:": "only within, a",
    "Only within age bands it is more with wire:": "only within, b",
}
#: By the direction of all ages together, then within age bands.
AGE_KINDS = {
    (0, 0): "neither", (1, 0): "age may explain", (-1, 0): "age may explain", (1, 1): "same way",
    (-1, -1): "same way", (1, -1): "other way", (-1, 1): "other way", (0, 1): "only within, a",
    (0, -1): "only within, b",
}  # fmt: skip


def test_what_age_bands_add_follows_from_the_two_intervals():
    for crude, adjusted in itertools.product(FINE, FINE):
        sentence = within_age_said("peg", "wire", crude, adjusted, hardly_overlap=False)
        (told,) = [name for beginning, name in AGE_BEGINNINGS.items() if sentence.startswith(beginning)]
        directions = [(each.low > 0) - (each.high < 0) for each in (crude, adjusted)]
        assert told == AGE_KINDS[tuple(directions)]
        assert adjusted.words() in sentence
        assert "no difference" not in sentence


def test_groups_that_hardly_overlap_are_not_compared_within_age():
    interval = Difference(0.1, 0.2)
    assert within_age_said("peg", "wire", interval, None, hardly_overlap=True).startswith(
        "These groups hardly"
    )
    assert within_age_said("peg", "wire", interval, None, hardly_overlap=False) == ""


# What is only described: by the interval alone, nothing tested.


def plainly(sentence: str) -> str:
    assert sentence.startswith(f"{DESCRIPTIVE} ")
    return sentence.removeprefix(f"{DESCRIPTIVE} ")


def test_what_is_described_is_borne_by_both_ways_of_counting():
    for found, otherwise in itertools.product(FINE, [*FINE, None]):
        sentence = plainly(described("peg", "wire", found, otherwise, unknown=3, called="not asked"))
        both = sides(found) if sides(found) == sides(otherwise) else set()
        wanted = {frozenset("a"): "more in a", frozenset("b"): "more in b", frozenset("ab"): "cannot tell"}
        assert kind(sentence) == wanted.get(frozenset(both), "lost decide")
        if both:
            assert found.words() in sentence
        else:
            assert "3 not asked cases" in sentence


def test_a_change_of_readings_is_said_in_its_own_words():
    for low, high in itertools.combinations_with_replacement((-12.0, -0.04, 0.0, 0.04, 7.5), 2):
        found = ChangeDifference(low, high)
        sentence = plainly(described("peg", "wire", found, found, unknown=0))
        higher = {"Higher with peg": low > 0, "Higher with wire": high < 0}
        assert {start: sentence.startswith(start) for start in higher} == higher
        assert sentence.startswith("These readings cannot tell the two apart") == (low <= 0 <= high)
        assert "per 100" not in sentence
        assert found.words() in sentence


def test_no_pair_of_small_arms_is_said_to_have_more_where_it_has_not():
    """8,281 tables: never more with the arm that has the smaller share, and the arms swapped swap the words."""
    arms = every_table(12)
    arms = Arms(*(each[arms.both] for each in (arms.events_a, arms.cases_a, arms.events_b, arms.cases_b)))
    there = risk_difference(arms, 0.95)
    back = risk_difference(Arms(arms.events_b, arms.cases_b, arms.events_a, arms.cases_a), 0.95)
    more = arms.events_a * arms.cases_b - arms.events_b * arms.cases_a
    opposite = {"more in a": "more in b", "more in b": "more in a", "cannot tell": "cannot tell"}
    told_apart = 0
    for low, high, low_back, high_back, more_in_a in zip(
        there.low.tolist(),
        there.high.tolist(),
        back.low.tolist(),
        back.high.tolist(),
        more.tolist(),
        strict=True,
    ):
        ahead, behind = Difference(low, high), Difference(low_back, high_back)
        told = kind(plainly(described("peg", "wire", ahead, ahead, 0)))
        assert told != "more in a" or more_in_a > 0
        assert told != "more in b" or more_in_a < 0
        assert kind(plainly(described("peg", "wire", behind, behind, 0))) == opposite[told]
        told_apart += told != "cannot tell"
    assert told_apart > 1000
