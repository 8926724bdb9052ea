"""Diagnosis codes against the list of ICD-10-CM (release April 2026)."""

import pytest

from pipeline.code_lists import INCOMPLETE, LISTED, UNKNOWN, complete_codes, standing


def test_the_frozen_list_is_that_of_the_package(icd10cm):
    codes = [code for code in icd10cm.get_all_codes() if icd10cm.is_category_or_subcategory(code)]
    listed = tuple(sorted(code.replace(".", "") for code in codes if icd10cm.is_leaf(code)))
    assert len(listed) > 70_000
    assert complete_codes() == listed


@pytest.mark.parametrize(
    ("code", "stands"),
    [
        ("M22.01", LISTED),
        ("m2201", LISTED),
        ("S83.004A", LISTED),
        ("S83.004D", LISTED),  # a later encounter
        ("S83.004S", LISTED),  # a sequela
        ("T84.82XA", LISTED),  # with placeholder
        ("I10", LISTED),  # complete with three characters
        ("M22", INCOMPLETE),  # a heading
        ("M22.0", INCOMPLETE),
        ("S83.004", INCOMPLETE),  # without its seventh character
        ("T84.82", INCOMPLETE),
        ("S83.004B", UNKNOWN),  # no such encounter of a dislocation
        ("T84.82A", UNKNOWN),  # without placeholder
        ("M22.019", UNKNOWN),
        ("Q99.99", UNKNOWN),
        ("AB", UNKNOWN),
        ("Z", UNKNOWN),
        ("", UNKNOWN),
        ("ZZZ", UNKNOWN),
    ],
)
def test_whether_a_code_is_complete(code, stands):
    assert standing(code) == stands
