"""`limbaudit map`: the draft of a new site's mapping.

The third and second hospital of the demo are mapped anew; the lines a person finishes by hand stand here. All other
files are invented for these tests. What is expected follows from how they were made.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

#: Lines a person finishes in the draft of Millfield: the question, and the line it becomes.
FINISHED = {
    "values.operated_by": 'values.operated_by = { C = "responsible_surgeon", "T+C" = "trainee_with_surgeon", '
    'T = "trainee_alone" }',
    "values.mode": 'values.mode = { examiner = "passive", self = "active" }',
    "constants = { unit": 'constants = { unit = "deg" }',
    "constants = { mode": 'constants = { mode = "none", unit = "points" }',
}
STATUS = {
    "DONE": 'values.status = { DONE = "performed", BKD = "booked", CAN = "cancelled", ABD = "abandoned" }',
    "DNA": 'values.status = { attended = "seen", phone = "remote", DNA = "did_not_attend" }',
}
MOST_LINES_BY_HAND = 10


def finished(draft: str) -> tuple[str, int]:
    """The draft with its questions answered, and how many lines that took."""
    lines, changed = [], 0
    for line in draft.splitlines():
        answer = next((text for start, text in FINISHED.items() if line.startswith(f"# ? {start}")), "")
        if line.startswith("# ? values.status"):
            answer = next(text for word, text in STATUS.items() if f'"{word}"' in line)
        changed += bool(answer)
        lines.append(answer or line)
    return "\n".join(lines) + "\n", changed


@pytest.fixture(scope="module")
def mapped_anew(
    sample_exports: Path, tmp_path_factory: pytest.TempPathFactory, limbaudit: Callable[..., Any]
) -> tuple[Path, int]:
    """The demo with the mappings of its second and third hospital deleted and made again; lines changed by hand."""
    workspace = tmp_path_factory.mktemp("mapped") / "demo"
    shutil.copytree(sample_exports, workspace)
    changed = 0
    for site in ("millfield", "northgate"):
        path = workspace / "mappings" / f"{site}.toml"
        path.unlink()
        told = limbaudit("map", workspace, site, "--out", path)
        assert told.exit_code == 0, told.err
        text, by_hand = finished(path.read_text("utf-8"))
        path.write_text(text, encoding="utf-8")
        changed += by_hand
    return workspace, changed


def test_at_most_ten_lines_are_finished_by_hand(mapped_anew: tuple[Path, int]) -> None:
    assert 0 < mapped_anew[1] <= MOST_LINES_BY_HAND


def test_the_demo_counts_the_same_with_the_new_mappings(
    mapped_anew: tuple[Path, int], demo: Any, audit: Callable[..., Any], tmp_path: Path
) -> None:
    import pandas as pd

    anew = audit(mapped_anew[0], tmp_path, expected_exit=None)
    assert anew.finished.exit_code == demo.finished.exit_code
    ledgers = [one.csv("ledger") for one in (demo, anew)]
    pd.testing.assert_frame_equal(*ledgers)
    pd.testing.assert_frame_equal(demo.table("rates"), anew.table("rates"))
    assert (ledgers[0]["accepted"].astype(int) > 0).sum() > 10
