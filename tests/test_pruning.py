"""What `limbaudit prune` may delete and what it never does. Folders are made by hand; only manifests and signatures are read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline import store
from pipeline.editions import POINTER
from pipeline.pruning import unneeded

Limbaudit = Callable[..., Any]


def put(editions: Path, name: str, as_of: str, draft: str = "") -> None:
    state = "draft" if "draft" in name else "signed"
    period = name.partition("/")[0]
    manifest = {"as_of": as_of, "cut_on": as_of, "state": state, "period": period, "files": {}}
    store.write_json(manifest, editions / name / "department" / "manifest.json")
    if draft:
        store.write_json({"draft": draft, "manifest_sha256": ""}, editions / name / "signature.json")


def point(editions: Path, period: str, name: str) -> None:
    store.write_json({"edition": name, "period": period}, editions / period / POINTER)


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """January 2023: three signed, number 2 current by mistake; October 2026: one signed, a newer draft current."""
    editions = tmp_path / "editions"
    for number in (1, 2, 3):
        put(editions, f"2023-01/{number}", f"2023-02-0{number}")
    put(editions, "2023-01/draft-aaa", "2023-02-01")
    point(editions, "2023-01", "2")
    put(editions, "2026-10/1", "2026-11-05", draft="draft-bbb")
    put(editions, "2026-10/draft-bbb", "2026-11-05")
    put(editions, "2026-10/draft-ccc", "2026-11-07")
    put(editions, "2026-10/draft-ddd", "2026-11-09")
    point(editions, "2026-10", "draft-ddd")
    put(editions, "2026-11/draft-eee", "2026-11-09")
    (tmp_path / "audit.toml").write_text("contract = 1\n", encoding="utf-8")
    return tmp_path


EXPECTED = {
    "2023-01/draft-aaa": "2 replaced it",
    "2023-01/1": "number 3 replaced it, and its period ended more than 36 months ago",
    "2026-10/draft-bbb": "it is signed as number 1",
    "2026-10/draft-ccc": "draft-ddd replaced it",
}


def test_what_is_replaced_may_go(workspace: Path) -> None:
    """Kept: number 2, which is current; number 3, the last signed; the current draft; a period without a pointer."""
    assert {each.name: each.why for each in unneeded(workspace / "editions", 36)} == EXPECTED


def test_signed_ones_are_kept_for_some_months(workspace: Path) -> None:
    """From the end of January 2023 to 2026-11-09 are 45 whole months."""
    names = [{each.name for each in unneeded(workspace / "editions", months)} for months in (45, 44)]
    assert "2023-01/1" not in names[0]
    assert "2023-01/1" in names[1]


def test_a_dry_run_deletes_nothing(workspace: Path, limbaudit: Limbaudit) -> None:
    before = store.hashes_under(workspace)
    done = limbaudit("prune", workspace, "--dry-run")
    assert done.exit_code == 0
    assert "Would delete 2026-10/draft-bbb (0.0 MB): it is signed as number 1." in done.out
    assert store.hashes_under(workspace) == before


def test_the_others_stay_as_they_are(workspace: Path, limbaudit: Limbaudit) -> None:
    before = store.hashes_under(workspace / "editions")
    done = limbaudit("prune", workspace)
    assert done.exit_code == 0, done.said
    assert done.out.count("Deleted") == 4
    after = store.hashes_under(workspace / "editions")
    kept = {
        path: digest
        for path, digest in before.items()
        if not path.startswith(tuple(f"{name}/" for name in EXPECTED))
    }
    assert {
        path: digest for path, digest in after.items() if path != "index.html" and ".lock" not in path
    } == kept
    assert limbaudit("prune", workspace).out == "Nothing to delete.\n"


def test_nothing_is_looked_at_while_another_run_works(workspace: Path, limbaudit: Limbaudit) -> None:
    """What is to go is decided under the lock, and so is the front page; a dry run only looks."""
    from pipeline.unattended.lock import held

    before = store.hashes_under(workspace / "editions")
    with held(workspace / "editions", "limbaudit run"):
        done = limbaudit("prune", workspace)
        assert limbaudit("prune", workspace, "--dry-run").out.count("Would delete") == 4
    assert (done.exit_code, done.out) == (3, "")
    assert "Another run holds" in done.err
    assert {
        path: digest
        for path, digest in store.hashes_under(workspace / "editions").items()
        if ".lock" not in path
    } == before


def test_a_front_page_that_a_broken_off_pruning_left_is_mended(workspace: Path, limbaudit: Limbaudit) -> None:
    assert limbaudit("prune", workspace).exit_code == 0
    page = workspace / "editions" / "index.html"
    right = page.read_text("utf-8")
    page.write_text("old", "utf-8")
    assert limbaudit("prune", workspace).out == "Nothing to delete.\n"
    assert page.read_text("utf-8") == right


def test_a_folder_without_editions(tmp_path: Path, limbaudit: Limbaudit) -> None:
    (tmp_path / "audit.toml").write_text("contract = 1\n", encoding="utf-8")
    assert limbaudit("prune", tmp_path).out == "Nothing to delete.\n"
