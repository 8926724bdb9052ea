"""What may lie in received/: everything not read is named, nothing hangs, no name does harm."""

from __future__ import annotations

import os
import socket
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import WrongUse
from pipeline.intake import newest_receipt, read
from pipeline.intake.arrivals import Arrival, arrivals, shown
from pipeline.intake.refusal import Refusal

DAY = date(2026, 11, 2)
RECEIPT = "received/harbour/2026-11-02"


def said(workspace: Any) -> list[tuple[str, str]]:
    """Rule and place of every finding about folders, sorted."""
    found = arrivals(workspace.folder, date(2026, 12, 31)).findings
    return sorted((str(each["rule"]), str(each["source_file"])) for each in found)


def test_everything_not_read_is_named(workspace: Any, header: str, row: str) -> None:
    inside = workspace.put("operations.csv", header + row)
    (inside.parent / "deeper").mkdir()
    received = workspace.folder / "received"
    for place in (received, received / "harbour"):
        (place / "stray.csv").write_text(header)
    (received / "linked").symlink_to(received / "harbour")
    (received / "nowhere").symlink_to(received / "gone")
    (received / "harbour" / "2026-11-03").symlink_to(inside.parent)
    os.mkfifo(received / "harbour" / "pipe")
    assert said(workspace) == [
        ("file_outside_receipt", "received/harbour/pipe"),
        ("file_outside_receipt", "received/harbour/stray.csv"),
        ("file_outside_receipt", "received/nowhere"),
        ("file_outside_receipt", "received/stray.csv"),
        ("folder_in_receipt", f"{RECEIPT}/deeper"),
        ("folder_is_link", "received/harbour/2026-11-03"),
        ("folder_is_link", "received/linked"),
    ]
    assert [source.reason for source in workspace.received().sources] == [""]


def test_hidden_files_and_office_locks_are_passed_over(workspace: Any, header: str, row: str) -> None:
    for name in ("operations.csv", ".DS_Store", "~$operations.xlsx"):
        workspace.put(name, header + row)
    assert len(workspace.received().sources) == 1
    assert said(workspace) == []


def test_pipes_and_sockets_are_refused_and_never_waited_for(workspace: Any, header: str, row: str) -> None:
    receipt = workspace.put("operations.csv", header + row).parent
    os.mkfifo(receipt / "events.csv")
    here = os.open(".", os.O_RDONLY)
    os.chdir(receipt)  # the path of a socket may not be long
    try:
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind("visits.csv")
    finally:
        os.fchdir(here)
        os.close(here)
    intake = workspace.received()
    assert [source.reason for source in intake.sources] == ["file_unreadable", "", "file_unreadable"]
    assert all("pipe, a socket or a device" in message for message in intake.findings["message"])


def test_received_as_a_link_is_wrong_use(workspace: Any, header: str, row: str) -> None:
    workspace.put("operations.csv", header + row)
    (workspace.folder / "received").rename(workspace.folder / "elsewhere")
    (workspace.folder / "received").symlink_to(workspace.folder / "elsewhere")
    with pytest.raises(WrongUse, match="links are not followed"):
        newest_receipt(workspace.folder)


def test_a_folder_that_cannot_be_opened_stops_no_other(
    workspace: Any, header: str, row: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    locked = workspace.put("operations.csv", header + row, site="island").parent
    workspace.put("operations.csv", header + row)
    listing = Path.iterdir

    def refusing(folder: Path) -> Any:
        if folder == locked:
            raise PermissionError(13, "Permission denied")
        return listing(folder)

    monkeypatch.setattr(Path, "iterdir", refusing)
    assert said(workspace) == [("folder_unreadable", "received/island/2026-11-02")]
    assert [source.site for source in workspace.received().sources] == ["harbour"]


@pytest.mark.parametrize(
    ("name", "as_shown"),
    [
        ("operations.csv", "operations.csv"),
        ("-rf", "-rf"),
        ("größe 😀 '\"<script>.csv", "größe 😀 '\"<script>.csv"),
        ("a\nb\x1b[31m", "a\\x0ab\\x1b[31m"),
        ("a\u202evsc.exe", "a\\u202evsc.exe"),
        ("a\\x0ab", "a\\\\x0ab"),
        (os.fsdecode(b"a\xff"), "a\\xff"),
    ],
)
def test_names_are_shown_without_unseen_characters(name: str, as_shown: str) -> None:
    assert shown(name) == as_shown


@pytest.mark.parametrize(
    "name",
    ["operations\n2.csv", "operations😀.csv", "Operations.csv", os.fsdecode(b"operations\xff.csv"),
     "operations<script>alert(1)<script>.csv", "operations" + "y" * 230 + ".csv"],
)  # fmt: skip
def test_odd_names_are_read_under_a_safe_name(workspace: Any, header: str, row: str, name: str) -> None:
    workspace.put(name, header + row)
    export = workspace.only()
    assert export.rows.num_rows == 1
    assert export.source.source_file == f"{RECEIPT}/{shown(name)}"


def test_names_differing_by_case_only_are_two_files(workspace: Any, header: str, row: str) -> None:
    workspace.put("operations.csv", header + row)
    workspace.put("OPERATIONS.CSV", header + row.replace("o1", "o2"))
    assert [source.rows_read for source in workspace.received().sources] == [1, 1]


def test_a_receipt_far_ahead_of_all_others_is_doubted(workspace: Any, header: str, row: str) -> None:
    workspace.put("operations.csv", header + row, day="2026-10-02")
    workspace.put("operations.csv", header + row, day="2026-11-02")
    assert said(workspace) == []
    workspace.put("operations.csv", header + row, day="2062-11-02", site="island")
    found = arrivals(workspace.folder, date(2062, 12, 31)).findings
    assert [(each["rule"], each["source_file"]) for each in found] == [
        ("receipt_far_ahead", "received/island/2062-11-02")
    ]
    assert said(workspace) == []  # not yet known on that day


def test_a_file_still_being_written_is_not_read(
    workspace: Any, header: str, row: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = workspace.put("operations.csv", header + row)
    looked_at = os.fstat

    def growing(number: int) -> os.stat_result:
        found = looked_at(number)
        with path.open("a") as stream:
            stream.write(row)
        return found

    monkeypatch.setattr(os, "fstat", growing)
    with pytest.raises(Refusal, match="written to while it was read"):
        read.stored_bytes(Arrival("harbour", DAY, path, "operations.csv"))


def test_a_file_beyond_the_limit_is_not_read(
    workspace: Any, header: str, row: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    workspace.put("operations.csv", header + row)
    monkeypatch.setattr(read, "LARGEST_FILE_BYTES", 10)
    assert workspace.refused()[0] == "file_too_large"
