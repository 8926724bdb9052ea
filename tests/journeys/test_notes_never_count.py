"""Text of notes, a template's or copied from visit to visit, moves no figure (twelve courses, invented notes)."""

from __future__ import annotations

import shutil

import pandas as pd

TEMPLATE = (
    "Complications: stiffness, infection, fracture through the drill hole, dislocation, revision, nerve injury, "
    "thrombosis, death. Delete what does not apply. Next visit in six weeks with radiographs of the operated knee."
)


def test_a_template_in_every_note_moves_no_figure(root, audit, tmp_path):
    """The same text on every visit, and on every event that has a code or a field of its own."""
    place = tmp_path / "audit"
    shutil.copytree(root / "tests/journeys/twelve_courses", place)
    before = audit(place, tmp_path / "before", expected_exit=None)
    for name in ("followups", "events"):
        path = place / "received/harbour/2026-11-02" / f"{name}.csv"
        rows = pd.read_csv(path, dtype="string", keep_default_na=False)
        rows["note"] = TEMPLATE
        rows.to_csv(path, index=False)
    after = audit(place, tmp_path / "after", expected_exit=None)
    for table in ("rates", "comparisons"):
        assert len(before.table(table)) > 10
        pd.testing.assert_frame_equal(before.table(table), after.table(table))
    warned = after.csv("quarantine")
    assert (warned["rule"] == "note_copied_forward").sum() > 0
