"""Workspaces made new, exports put where they belong, editions found."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

from pipeline.editions import POINTER
from pipeline.errors import WrongUse
from pipeline.workspace import FOLDERS, made_new, received_files, rules_of, standing_edition

ON = date(2026, 11, 2)


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    place = tmp_path / "audit"
    made_new(place)
    return place


@pytest.fixture
def export(tmp_path: Path) -> Path:
    path = tmp_path / "outbox" / "operations.csv"
    path.parent.mkdir()
    path.write_text("operation_id\no1\n")
    return path


def test_a_new_workspace_has_settings_that_load_and_every_folder(tmp_path: Path) -> None:
    from pipeline.catalogue import load_catalogue
    from pipeline.settings import load_settings
    from schemas.exports import EXPORTS

    made = made_new(tmp_path / "deep" / "audit")
    assert [path.name for path in made] == ["audit.toml", *FOLDERS]
    assert all(path.exists() for path in made)
    load_settings(made[0], load_catalogue(), EXPORTS["operations"].names)


def test_settings_that_are_there_are_never_overwritten(workspace: Path) -> None:
    (workspace / "audit.toml").write_text("contract = 1\n")
    with pytest.raises(WrongUse, match="exists already"):
        made_new(workspace)
    assert (workspace / "audit.toml").read_text() == "contract = 1\n"


def test_a_folder_with_exports_may_become_a_workspace(tmp_path: Path) -> None:
    lying = tmp_path / "received" / "harbour" / "2026-11-02" / "events.csv"
    lying.parent.mkdir(parents=True)
    lying.write_text("event_id\n")
    made_new(tmp_path)
    assert lying.read_text() == "event_id\n"


def test_an_export_is_put_into_its_receipt(workspace: Path, export: Path) -> None:
    (put,) = received_files(workspace, "harbour", (export,), ON)
    assert put.place == workspace / "received" / "harbour" / "2026-11-02" / "operations.csv"
    assert put.place.read_bytes() == export.read_bytes()
    assert not put.already
    assert export.exists(), "the sender's file stays"


def test_the_very_same_file_again_changes_nothing(workspace: Path, export: Path) -> None:
    received_files(workspace, "harbour", (export,), ON)
    (put,) = received_files(workspace, "harbour", (export,), ON)
    assert put.already


def test_another_file_of_that_name_is_refused(workspace: Path, export: Path) -> None:
    (put,) = received_files(workspace, "harbour", (export,), ON)
    before = put.place.read_bytes()
    export.write_text("operation_id\no2\n")
    with pytest.raises(WrongUse, match="exists and differs"):
        received_files(workspace, "harbour", (export,), ON)
    assert put.place.read_bytes() == before
    received_files(workspace, "harbour", (export,), date(2026, 11, 3))


def test_all_files_or_none(workspace: Path, export: Path) -> None:
    with pytest.raises(WrongUse, match="is not a file"):
        received_files(workspace, "harbour", (export, export.with_name("absent.csv")), ON)
    assert list((workspace / "received").rglob("*.csv")) == []


def test_two_files_of_one_name_are_refused(workspace: Path, export: Path) -> None:
    other = export.parent / "other" / export.name
    other.parent.mkdir()
    other.write_text("operation_id\no2\n")
    with pytest.raises(WrongUse):
        received_files(workspace, "harbour", (export, other), ON)


@pytest.mark.parametrize("site", ["", "har bour", "../harbour", "harbour/x", "hafen-süd", "."])
def test_a_site_id_is_letters_digits_dash_and_underscore(workspace: Path, export: Path, site: str) -> None:
    with pytest.raises(WrongUse, match="no site id"):
        received_files(workspace, site, (export,), ON)
    assert list((workspace / "received").iterdir()) == []


def test_exports_go_into_workspaces_only(tmp_path: Path, export: Path) -> None:
    with pytest.raises(WrongUse, match="has no audit"):
        received_files(tmp_path, "harbour", (export,), ON)


# -------------------------------------------------------------------------------------------------- editions


@pytest.fixture
def editions(tmp_path: Path) -> Path:
    """Two periods; of the older one two editions, the second of which stands."""
    place = tmp_path / "editions"
    for period, name in (("2026-09", "draft-1"), ("2026-09", "draft-2"), ("2026-10", "draft-3")):
        (place / period / name / "department" / "as_used").mkdir(parents=True)
        (place / period / POINTER).write_text(json.dumps({"edition": name}))
    return place


def test_the_pointer_names_the_standing_edition(editions: Path) -> None:
    assert standing_edition(editions, "2026-09") == editions / "2026-09" / "draft-2"
    assert standing_edition(editions, "") == editions / "2026-10" / "draft-3"
    assert standing_edition(editions, "2026-08") is None
    assert standing_edition(editions / "absent", "") is None


@pytest.mark.parametrize(
    ("named", "found"),
    [("2026-09/draft-1", "2026-09/draft-1"), ("2026-09", "2026-09/draft-2"), ("", "2026-10/draft-3")],
)
def test_rules_are_taken_from_an_edition_or_a_period(editions: Path, named: str, found: str) -> None:
    assert rules_of(named, editions) == editions / found / "department" / "as_used"


def test_rules_are_taken_from_a_path(editions: Path, tmp_path: Path) -> None:
    place = editions / "2026-09" / "draft-1"
    assert rules_of(str(place), tmp_path / "elsewhere") == place / "department" / "as_used"


def test_an_edition_that_is_not_there(editions: Path) -> None:
    with pytest.raises(WrongUse, match="no edition `2026-12`"):
        rules_of("2026-12", editions)
