"""Side of an operation against the side its diagnosis code names (sides: ICD-10-CM, release April 2026)."""

from __future__ import annotations

import pytest

from pipeline.settings import Settings
from pipeline.validate import checked


@pytest.mark.parametrize(
    ("code", "side", "held_back"),
    [
        ("M22.01", "left", True),  # recurrent dislocation of patella, right knee
        ("m22.01", "left", True),
        ("M2201", "left", True),
        (" M22.01 ", "L", True),
        ("S83.005D", "right", True),  # dislocation of left patella, a later encounter
        ("M22.01", "right", False),
        ("M22.00", "left", False),  # unspecified knee
        ("M22.0", "left", False),  # unfinished
        ("M17.0", "left", False),  # both knees
        ("M22.01", "bilateral", False),  # one of the two sides
        ("M22.01", "none", False),  # told by the procedure, not by the code
        ("I10", "left", False),  # no side at all
        ("QQQ", "left", False),
    ],
)
def test_an_operation_whose_diagnosis_names_the_other_side_is_held_back(export, code, side, held_back):
    found = checked(export("operations", {"diagnosis_code": code, "side": side}), Settings(), ())
    assert (found.quarantined.num_rows, found.accepted.num_rows) == ((1, 0) if held_back else (0, 1))
    assert ("side_against_diagnosis" in found.findings["rule"].tolist()) is held_back


def test_codes_of_another_system_are_not_compared(export):
    row = {"diagnosis_code": "M22.01", "diagnosis_system": "local", "side": "left"}
    assert checked(export("operations", row), Settings(), ()).accepted.num_rows == 1
