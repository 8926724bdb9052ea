"""What a month's conference hears of: what happened in the month, and what only became known in it; nothing twice.

One hospital, an export a month. Counted by hand from the rows below.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.catalogue import load_catalogue
from pipeline.publish.period_cases import period_complications

OPERATIONS = "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex\n" + "".join(
    f"O{n},P{n},2026-0{n}-10,KN11,left,19,female\n" for n in range(1, 8)
)
HEAD = "event_id,patient_id,operation_id,occurred_on,code,code_system,side\n"
#: Receipt → events: the history of six months at once; August's with one of May; September's with one of July.
EVENTS = {
    "2026-08-03": [("E1", 1, "2026-02-01"), ("E2", 2, "2026-03-01"), ("E3", 3, "2026-07-20")],
    "2026-09-02": [("E4", 4, "2026-08-15"), ("E5", 5, "2026-05-20")],
    "2026-10-02": [("E6", 6, "2026-09-15"), ("E7", 7, "2026-07-30")],
}
SETTINGS = (
    'contract = 1\n[sites.hill]\nname = "Hill"\nsends = "changes"\nrequired = ["operations", "events"]\n'
)
CATALOGUE = '[procedures.ligament_reconstruction]\ncodes.local = ["KN11"]\n'


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("hill")
    (place / "audit.toml").write_text(SETTINGS, encoding="utf-8")
    (place / "catalogue.toml").write_text(CATALOGUE, encoding="utf-8")
    for receipt, events in EVENTS.items():
        folder = place / "received" / "hill" / receipt
        folder.mkdir(parents=True)
        rows = "".join(f"{e},P{n},O{n},{day},T81.41XA,ICD-10-CM,left\n" for e, n, day in events)
        (folder / "events.csv").write_text(HEAD + rows, encoding="utf-8")
        (folder / "operations.csv").write_text(OPERATIONS, encoding="utf-8")
    return place


@pytest.mark.parametrize(
    ("period", "as_of", "happened", "only_became_known"),
    [
        ("2026-07", "2026-08-05", {"O3"}, set()),
        ("2026-08", "2026-09-05", {"O4"}, set()),
        ("2026-09", "2026-10-05", {"O6"}, {"O5"}),
        ("2026-10", "2026-11-05", set(), {"O7"}),
    ],
)
def test_each_is_news_once(
    audit: Any,
    workspace: Path,
    tmp_path: Path,
    period: str,
    as_of: str,
    happened: set[str],
    only_became_known: set[str],
) -> None:
    made = audit(workspace, tmp_path, "--period", period, "--as-of", as_of, expected_exit=None)
    catalogue = load_catalogue(made.department / "as_used" / "catalogue.toml")
    news = period_complications(made.table("cases"), made.table("complications"), period, catalogue)
    assert set(news.loc[news["happened"], "operation_id"]) == happened
    assert set(news.loc[news["learned"], "operation_id"]) == only_became_known
    activity = made.table("activity")
    assert activity["complications_happened"].sum() == len(happened)
    assert activity["complications_learned"].sum() == len(only_became_known)
