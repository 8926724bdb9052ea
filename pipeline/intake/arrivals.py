"""Which files were received: received/<site>/<YYYY-MM-DD>/<file> and nothing deeper."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

RECEIVED = "received"
_SITE_ID = re.compile(r"[A-Za-z0-9_-]+")
_RECEIPT = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True)
class Arrival:
    """One received file. `source_file` is its path from the workspace, with `/`."""

    site: str
    receipt: date
    path: Path
    source_file: str


@dataclass(frozen=True)
class Arrivals:
    """Received files in sorted order, and findings (dictionaries) about folders that hold none."""

    files: tuple[Arrival, ...]
    findings: tuple[dict[str, object], ...]


def receipt_date(folder_name: str) -> date | None:
    """The day a receipt folder is named by, or `None` if it is not a date."""
    if not _RECEIPT.fullmatch(folder_name):
        return None
    try:
        return date.fromisoformat(folder_name)
    except ValueError:
        return None


def newest_receipt(workspace: Path) -> date | None:
    """The newest day that any receipt folder of any site is named by; `None` in an empty workspace."""
    folders = (folder for site in _folders(workspace / RECEIVED) for folder in _folders(site))
    days = [day for day in (receipt_date(folder.name) for folder in folders) if day is not None]
    return max(days, default=None)


def arrivals(workspace: Path, as_of: date) -> Arrivals:
    """Every file received up to `as_of`. Names starting with `.` or `~$` are passed over."""
    files: list[Arrival] = []
    findings: list[dict[str, object]] = []
    for site in _folders(workspace / RECEIVED):
        if not _SITE_ID.fullmatch(site.name):
            findings.append(_about(workspace, site, site.name, "site_id_malformed", _MALFORMED))
            continue
        for entry in _entries(site):
            day = receipt_date(entry.name)
            if not _is_real_folder(entry):
                findings.append(_about(workspace, entry, site.name, "file_outside_receipt", _OUTSIDE))
            elif day is None:
                findings.append(_about(workspace, entry, site.name, "folder_not_a_date", _NO_DATE))
            elif day <= as_of:
                files.extend(_files(workspace, site.name, day, entry))
    return Arrivals(tuple(files), tuple(findings))


_MALFORMED = "Site ids are letters, digits, _ and -. Rename the folder; nothing in it was read."
_OUTSIDE = "Exports are read from received/<site>/<YYYY-MM-DD>/ only; this was not read. Move it there."
_NO_DATE = "The folder is not named by a day. Rename it to YYYY-MM-DD; nothing in it was read."


def _about(workspace: Path, path: Path, site: str, rule: str, message: str) -> dict[str, object]:
    named = path.relative_to(workspace).as_posix()
    return {"site": site, "source_file": named, "rule": rule, "message": message}


def _entries(folder: Path) -> list[Path]:
    """What lies in a folder, sorted by name, without hidden files and office lock files."""
    if not _is_real_folder(folder):
        return []
    return sorted(
        (entry for entry in folder.iterdir() if not entry.name.startswith((".", "~$"))),
        key=lambda entry: entry.name,
    )


def _folders(folder: Path) -> list[Path]:
    return [entry for entry in _entries(folder) if _is_real_folder(entry)]


def _is_real_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def _files(workspace: Path, site: str, receipt: date, folder: Path) -> list[Arrival]:
    """Files of one receipt, links among them (refused later); folders in it are passed over."""
    return [
        Arrival(site, receipt, path, path.relative_to(workspace).as_posix())
        for path in _entries(folder)
        if path.is_symlink() or path.is_file()
    ]
