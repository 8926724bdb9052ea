"""Sides of diagnosis codes against their official descriptions (ICD-10-CM, release April 2026)."""

import re

import pytest

from pipeline.code_sides import side_of_code


@pytest.mark.parametrize(
    ("code", "side"),
    [
        ("S83.004A", "right"),  # unspecified dislocation of right patella, initial encounter
        ("s83005d", "left"),  # … of left patella, subsequent encounter
        ("S83.006A", None),  # … of unspecified patella
        ("M22.02", "left"),  # recurrent dislocation of patella, left knee
        ("M25.60", None),  # stiffness of unspecified joint
        ("T84.110A", "right"),  # breakdown of internal fixation device of right humerus
        ("G90.512", "left"),  # complex regional pain syndrome I of left upper limb
        ("G56.43", None),  # causalgia of bilateral upper limbs
        ("M2", None),
        ("", None),
    ],
)
def test_side_named_by_the_description(code, side):
    assert side_of_code("ICD-10-CM", code) == side


def test_other_systems_name_no_side():
    assert side_of_code("local", "S83.004A") is None


def test_every_shoulder_knee_and_implant_code_agrees_with_its_description(icd10cm):
    icd = icd10cm
    starts = ("M22", "M24", "M25", "S42", "S43", "S82", "S83", "T84")
    codes = [code for code in icd.get_all_codes() if code.startswith(starts) and icd.is_leaf(code)]
    assert len(codes) > 1000
    wrong = [
        code for code in codes if side_of_code("ICD-10-CM", code) != _side_in_words(icd.get_description(code))
    ]
    assert wrong == []


def _side_in_words(description):
    words = set(re.findall(r"\b(?:left|right)\b", description.lower()))
    return words.pop() if len(words) == 1 else None
