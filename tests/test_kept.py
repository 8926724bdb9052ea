"""What an earlier run checked is taken over, and changes nothing but the time a run takes."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from pipeline.commands.places import kept_folder
from pipeline.nightly import Place
from pipeline.run import Asked, Done, checked
from pipeline.shelf import MAGIC, Fingerprint, Shelf
from pipeline.validate import kept as module

COURSES = Path(__file__).parent / "journeys" / "twelve_courses"


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    shutil.copytree(COURSES, tmp_path / "audit")
    return tmp_path / "audit"


@pytest.fixture
def anew(monkeypatch: Any) -> list[str]:
    """Files that were checked, and not taken over."""
    files: list[str] = []
    real = module.checked_together

    def noted(exports: Any, *more: Any) -> Any:
        files.extend(export.source.source_file.rpartition("/")[2] for export in exports)
        return real(exports, *more)

    monkeypatch.setattr(module, "checked_together", noted)
    return files


def files(folder: Path) -> dict[str, bytes]:
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {name: path.read_bytes() for name, path in found.items()}


def run(workspace: Path, kept: Path | None, out: Path) -> tuple[Done, dict[str, bytes]]:
    shutil.rmtree(out, ignore_errors=True)
    done = checked(Asked(workspace, kept=kept), out)
    return done, files(out)


def test_a_second_run_checks_nothing_and_writes_the_same(
    workspace: Path, anew: list[str], tmp_path: Path
) -> None:
    _, without = run(workspace, None, tmp_path / "out")
    for expected in (["events.csv", "followups.csv", "measurements.csv", "operations.csv"], []):
        anew.clear()
        done, with_it = run(workspace, tmp_path / "kept", tmp_path / "out")
        assert sorted(anew) == expected
        assert with_it == without
        assert done.notes == ()


def test_the_demo_with_all_its_faults_is_the_same(tmp_path: Path, anew: list[str]) -> None:
    """Files refused, rows held back, cells repaired, identifiers masked, workbooks and decimal commas."""
    demo = Path(__file__).parents[1] / "sample_exports"
    _, without = run(demo, None, tmp_path / "out")
    run(demo, tmp_path / "kept", tmp_path / "out")
    anew.clear()
    _, with_it = run(demo, tmp_path / "kept", tmp_path / "out")
    assert anew == []
    assert with_it == without


def test_only_a_new_file_is_checked(workspace: Path, anew: list[str], tmp_path: Path) -> None:
    run(workspace, tmp_path / "kept", tmp_path / "out")
    folder = workspace / "received" / "harbour" / "2026-11-20"
    folder.mkdir()
    first = sorted((workspace / "received" / "harbour").glob("*/events.csv"))[0]
    head = first.read_text("utf-8").splitlines()[0]
    (folder / "events.csv").write_text(head + "\n", "utf-8")
    anew.clear()
    run(workspace, tmp_path / "kept", tmp_path / "out")
    assert anew == ["events.csv"]


@pytest.mark.parametrize(
    "line",
    [
        "\n[tolerance]\nquarantined_share = 0.5\n",
        "\n[identity]\nshared = ['patient']\n",
    ],
)
def test_other_settings_ask_anew(workspace: Path, anew: list[str], tmp_path: Path, line: str) -> None:
    run(workspace, tmp_path / "kept", tmp_path / "out")
    sent = len(anew)
    path = workspace / "audit.toml"
    path.write_text(path.read_text("utf-8") + line, "utf-8")
    anew.clear()
    run(workspace, tmp_path / "kept", tmp_path / "out")
    assert len(anew) == sent


def test_another_program_asks_anew(
    workspace: Path, anew: list[str], tmp_path: Path, monkeypatch: Any
) -> None:
    run(workspace, tmp_path / "kept", tmp_path / "out")
    sent = len(anew)
    monkeypatch.setattr(module, "program_fingerprint", lambda: "of another version")
    anew.clear()
    run(workspace, tmp_path / "kept", tmp_path / "out")
    assert len(anew) == sent


# ---------------------------------------------------------------- entries that cannot be relied on


def flipped(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) * 2 // 3] ^= 1
    path.write_bytes(content)


def flipped_head(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(MAGIC) + 90] ^= 1
    path.write_bytes(content)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-7])


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def of_another(path: Path) -> None:
    """Another entry under this name."""
    others = sorted(path.parent.glob("*.kept"))
    path.write_bytes(others[others.index(path) - 1].read_bytes())


def foreign(path: Path) -> None:
    path.write_bytes(b"PK\x03\x04 something else")


@pytest.mark.parametrize("harm", [flipped, flipped_head, cut, emptied, foreign])
def test_a_harmed_entry_is_noticed_and_made_anew(
    workspace: Path, anew: list[str], tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    _, without = run(workspace, tmp_path / "kept", tmp_path / "out")
    entries = sorted((tmp_path / "kept").glob("*.kept"))
    for path in entries:
        harm(path)
    anew.clear()
    done, mended = run(workspace, tmp_path / "kept", tmp_path / "out")
    assert mended == without
    assert len(anew) == len(entries)
    assert f"{len(entries)} kept entries" in " ".join(done.notes)
    assert "made anew" in " ".join(done.notes)
    anew.clear()
    done, _ = run(workspace, tmp_path / "kept", tmp_path / "out")
    assert (anew, done.notes) == ([], ())


def test_an_entry_under_anothers_name_is_noticed(workspace: Path, anew: list[str], tmp_path: Path) -> None:
    _, without = run(workspace, tmp_path / "kept", tmp_path / "out")
    of_another(sorted((tmp_path / "kept").glob("*.kept"))[1])
    anew.clear()
    done, mended = run(workspace, tmp_path / "kept", tmp_path / "out")
    assert (mended, len(anew)) == (without, 1)
    assert "1 kept entry" in done.notes[0]


def test_a_folder_that_cannot_be_written_is_done_without(
    workspace: Path, anew: list[str], tmp_path: Path
) -> None:
    _, without = run(workspace, None, tmp_path / "out")
    (tmp_path / "kept").write_text("a file where the folder should be", "utf-8")
    done, found = run(workspace, tmp_path / "kept", tmp_path / "out")
    assert found == without
    assert "Not all could be kept" in done.notes[0]
    assert done.exit_code == 0


def test_a_folder_deleted_in_the_middle_is_done_without(
    workspace: Path, anew: list[str], tmp_path: Path, monkeypatch: Any
) -> None:
    _, without = run(workspace, tmp_path / "kept", tmp_path / "out")
    real = Shelf.get

    def gone(self: Shelf, key: str) -> Any:
        found = real(self, key)
        shutil.rmtree(self.folder, ignore_errors=True)
        return found

    monkeypatch.setattr(Shelf, "get", gone)
    _, found = run(workspace, tmp_path / "kept", tmp_path / "out")
    assert found == without


def test_what_cannot_be_deleted_is_said(workspace: Path, tmp_path: Path, monkeypatch: Any) -> None:
    """It may hold rows of a patient who has been removed since; what can be deleted goes all the same."""
    run(workspace, tmp_path / "kept", tmp_path / "out")
    stale = [tmp_path / "kept" / f"{name}.kept" for name in ("a", "b")]
    for path in stale:
        path.write_bytes(b"of another time")
    real = Path.unlink

    def refused(self: Path, missing_ok: bool = False) -> None:
        if self == stale[0]:
            raise PermissionError(13, "Permission denied")
        real(self, missing_ok)

    monkeypatch.setattr(Path, "unlink", refused)
    done, _ = run(workspace, tmp_path / "kept", tmp_path / "out")
    assert [path.exists() for path in stale] == [True, False]
    assert "1 kept files that are no longer used could not be deleted" in done.notes[0]


def test_an_entry_that_cannot_be_read_is_replaced(
    workspace: Path, anew: list[str], tmp_path: Path, monkeypatch: Any
) -> None:
    run(workspace, tmp_path / "kept", tmp_path / "out")
    closed = sorted((tmp_path / "kept").iterdir())[0]
    real = Path.read_bytes

    def refused(self: Path) -> bytes:
        if self == closed:
            raise PermissionError(13, "Permission denied")
        return real(self)

    monkeypatch.setattr(Path, "read_bytes", refused)
    anew.clear()
    done, _ = run(workspace, tmp_path / "kept", tmp_path / "out")
    assert len(anew) == 1
    assert "1 kept entry" in done.notes[0]


def test_what_another_run_is_writing_is_left(workspace: Path, tmp_path: Path) -> None:
    run(workspace, tmp_path / "kept", tmp_path / "out")
    fresh, old = (tmp_path / "kept" / f"{name}.part" for name in ("fresh", "old"))
    fresh.write_bytes(b"half")
    old.write_bytes(b"half")
    os.utime(old, (1, 1))
    run(workspace, tmp_path / "kept", tmp_path / "out")
    assert (fresh.exists(), old.exists()) == (True, False)


def test_each_file_alone_is_checked_as_among_all(tmp_path: Path) -> None:
    """What is found in a file may depend on no other file, or it could not be kept."""
    from pipeline.intake import receive_all
    from pipeline.run import ground_of
    from pipeline.validate.split import checked_together

    ground = ground_of(Asked(Path(__file__).parents[1] / "sample_exports"))
    mappings = ground.asked.rules_folder / "mappings"
    intake = receive_all(ground.asked.workspace, ground.settings, ground.as_of, mappings)
    assert len(intake.exports) > 50
    together = checked_together(intake.exports, ground.settings, ground.catalogue.places)
    for export, among in zip(intake.exports, together, strict=True):
        (alone,) = checked_together([export], ground.settings, ground.catalogue.places)
        assert alone.source == among.source
        assert alone.accepted.equals(among.accepted)
        assert alone.quarantined.equals(among.quarantined)
        assert alone.findings.equals(among.findings)
        assert alone.repairs.equals(among.repairs)


def test_no_setting_is_left_out_of_what_a_key_is_made_of() -> None:
    """Keys are made of what `repr` says, so every field has to be said."""
    from dataclasses import fields, is_dataclass

    from pipeline import handover, settings

    kinds = [
        kind
        for module in (settings, handover)
        for kind in vars(module).values()
        if isinstance(kind, type) and is_dataclass(kind)
    ]
    assert {"Settings", "Site", "Source", "Reading"} <= {kind.__name__ for kind in kinds}
    assert [(kind.__name__, each.name) for kind in kinds for each in fields(kind) if not each.repr] == []


# ---------------------------------------------------------------- what lies there, and who may read it


def test_a_removed_patient_is_in_no_entry(workspace: Path, tmp_path: Path) -> None:
    run(workspace, tmp_path / "kept", tmp_path / "out")
    assert names_in(tmp_path / "kept", "P03")
    (workspace / "removals").mkdir(exist_ok=True)
    request = "site_id,patient_id,received_on,kind\nharbour,P03,2026-11-01,erasure\n"
    (workspace / "removals" / "requests.csv").write_text(request, "utf-8")
    run(workspace, tmp_path / "kept", tmp_path / "out")
    assert not names_in(tmp_path / "kept", "P03")
    assert names_in(tmp_path / "kept", "P04")


def names_in(folder: Path, patient: str) -> bool:
    """Whether any table of any entry names the patient; entries are opened, since they are compressed."""
    from pipeline.shelf import _opened

    entries = [_opened(path.read_bytes(), path.stem) for path in folder.iterdir()]
    assert entries
    assert None not in entries
    cells = (
        cell
        for tables, _ in filter(None, entries)
        for table in tables.values()
        for column in table.columns
        if pa.types.is_string(column.type) or pa.types.is_large_string(column.type)
        for cell in column.to_pylist()
    )
    return any(cell is not None and patient in cell for cell in cells)


def test_entries_are_the_owners_alone_and_nothing_else_lies_about(workspace: Path, tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        run(workspace, tmp_path / "kept", tmp_path / "out")
    finally:
        os.umask(before)
    assert (tmp_path / "kept").stat().st_mode & 0o777 == 0o700
    assert {path.stat().st_mode & 0o777 for path in (tmp_path / "kept").iterdir()} == {0o600}
    assert {path.suffix for path in (tmp_path / "kept").iterdir()} == {".kept"}


def test_what_the_last_run_did_not_use_is_deleted(workspace: Path, tmp_path: Path) -> None:
    run(workspace, tmp_path / "kept", tmp_path / "out")
    before = set((tmp_path / "kept").iterdir())
    next((workspace / "received" / "harbour").glob("*/measurements.csv")).unlink()
    run(workspace, tmp_path / "kept", tmp_path / "out")
    after = set((tmp_path / "kept").iterdir())
    assert after < before
    assert len(after) == len(before) - 1


def test_commands_keep_and_take_over(
    workspace: Path, anew: list[str], limbaudit: Callable[..., Any], tmp_path: Path
) -> None:
    limbaudit("check", workspace, "--out", tmp_path / "checked")
    assert anew
    anew.clear()
    finished = limbaudit("run", workspace, "--out", tmp_path / "editions")
    assert (finished.exit_code, anew) == (0, [])
    folder = kept_folder(workspace)
    assert folder is not None
    assert list(folder.glob("*.kept"))


def test_nothing_is_kept_on_a_network_file_system(workspace: Path, capsys: Any, monkeypatch: Any) -> None:
    from pipeline.errors import WrongUse

    def refuse(folder: Path) -> None:
        raise WrongUse(f"{folder} lies on a network file system (nfs4).")

    monkeypatch.setattr("pipeline.unattended.local_disk.refuse_network_folder", refuse)
    assert Place.of(workspace, workspace / "editions", workspace / "state").kept is None
    assert kept_folder(workspace) is None
    assert "network file system" in capsys.readouterr().err


# ---------------------------------------------------------------- keys


def test_a_key_tells_every_cell_apart_and_no_chunks() -> None:
    def key(table: pa.Table) -> str:
        found = Fingerprint("x")
        found.add_table(table)
        return found.key

    one = pa.table({"a": ["1", None, "3"]})
    chunks = pa.concat_tables([one.slice(0, 1), one.slice(1)])
    assert key(one) == key(chunks)
    others = [
        pa.table({"a": ["1", "", "3"]}),
        pa.table({"a": ["1", None, "4"]}),
        pa.table({"b": ["1", None, "3"]}),
        one.slice(1),
    ]
    assert len({key(table) for table in (one, *others)}) == 5
    assert Fingerprint("ab", "c").key != Fingerprint("a", "bc").key
