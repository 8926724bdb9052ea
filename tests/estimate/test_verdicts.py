"""No sentence is given for intervals that do not bear it."""

import itertools

import pytest

from pipeline.estimate.verdicts import Difference, verdict_of

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
        (Difference(-0.0001, 1.0), "from 0 to 100 more per 100"),
    ],
    ids=["both sides", "whole numbers", "about none"],
)
def test_an_interval_in_words(interval, words):
    assert interval.words() == words


@pytest.mark.parametrize(("lost", "words"), [(1, "the 1 lost case is"), (8, "the 8 lost cases are")])
def test_how_many_were_lost(lost, words):
    assert words in said(Difference(-0.1, 0.1), None, 0.5, 0.05, lost)
