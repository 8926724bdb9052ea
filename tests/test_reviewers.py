"""Who is who among reviewers, and when a question needs nobody any more."""

from __future__ import annotations

import pytest

from pipeline.reviewers import is_surgeon, needs_another, persons


@pytest.mark.parametrize(
    ("yes", "no", "needed"),
    [
        (0, 0, True), (1, 0, True), (0, 1, True), (2, 0, False), (0, 2, False), (1, 1, True), (2, 1, False),
        (1, 2, False), (2, 2, True), (3, 2, False),
    ],
)  # fmt: skip
def test_two_who_agree_or_a_third_settle_a_question(yes: int, no: int, needed: bool) -> None:
    assert needs_another(yes, no) is needed


@pytest.mark.parametrize(
    ("reviewer", "surgeon", "same"),
    [
        ("S3", "harbour/S3", True), ("s3", "harbour/S3", True), ("harbour/S3", "harbour/S3", True),
        ("hill/S3", "harbour/S3", False), ("S3", "harbour/S33", False), ("r1", "harbour/S1", False),
        ("S3", "S3", True), ("harbour/S3", "S3", True),
    ],
)  # fmt: skip
def test_a_bare_id_is_the_surgeon_of_that_id_at_every_site(reviewer: str, surgeon: str, same: bool) -> None:
    assert is_surgeon(reviewer, surgeon) is same


def test_one_person_is_not_two_reviewers() -> None:
    assert persons(["S3", "s3 ", "harbour/S3"]) == dict.fromkeys(["S3", "s3 ", "harbour/S3"], "harbour/s3")


def test_a_bare_id_that_may_be_two_people_is_neither() -> None:
    assert persons(["S3", "harbour/S3", "hill/S3"]) == {
        "S3": "s3", "harbour/S3": "harbour/s3", "hill/S3": "hill/s3",
    }  # fmt: skip
