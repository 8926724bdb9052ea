"""Which files were received: received/<site>/<YYYY-MM-DD>/<file> and nothing deeper.

Only folders and regular files are looked into. Links are not followed, and what is neither file nor folder
(a pipe, a socket, a device) is named and never opened.
"""

from __future__ import annotations

import re
import stat
import unicodedata
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from pipeline.errors import WrongUse

RECEIVED = "received"
#: A receipt this many days after the one before it is probably in a mistyped folder.
LONGEST_SILENCE_DAYS = 366
_SITE_ID = re.compile(r"[A-Za-z0-9_-]+")
_RECEIPT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_UNSEEN = ("Cc", "Cf", "Cs", "Zl", "Zp")


@dataclass(frozen=True)
class Arrival:
    """One received file. `source_file` is its path from the workspace, with `/` and without unseen characters."""

    site: str
    receipt: date
    path: Path
    source_file: str

    @property
    def name(self) -> str:
        """The file's name as messages show it."""
        return self.source_file.rpartition("/")[2]


@dataclass(frozen=True)
class Arrivals:
    """Received files in sorted order, and findings (dictionaries) about what was not read."""

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


def shown(name: str) -> str:
    """A name from the disk as text: control and invisible characters, and bytes that are no text, as `\\x…`.

    Different names stay different.
    """
    return "".join(_escaped(character) for character in name)


def _escaped(character: str) -> str:
    if character == "\\":
        return "\\\\"
    if unicodedata.category(character) not in _UNSEEN:
        return character
    code = ord(character) - (0xDC00 if 0xDC80 <= ord(character) <= 0xDCFF else 0)
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"


def newest_receipt(workspace: Path) -> date | None:
    """The newest day that any receipt folder of any site is named by; `None` in an empty workspace.

    Raises:
        WrongUse: `received` is a link.
    """
    return max((receipt for _, receipt, _ in _receipts(workspace)), default=None)


def arrivals(workspace: Path, as_of: date) -> Arrivals:
    """Every file received up to `as_of`. Names starting with `.` or `~$` are passed over.

    Raises:
        WrongUse: `received` is a link.
    """
    search = _Search(workspace)
    for site in search.folders(_received(workspace), "", _OUTSIDE_SITE):
        if not _SITE_ID.fullmatch(site.name):
            search.say(site, "site_id_malformed", _MALFORMED, shown(site.name))
            continue
        for folder in search.folders(site, site.name, _OUTSIDE):
            day = receipt_date(folder.name)
            if day is None:
                search.say(folder, "folder_not_a_date", _NO_DATE, site.name)
            elif day <= as_of:
                search.take(folder, site.name, day)
    search.doubt_a_lone_receipt(as_of)
    return Arrivals(tuple(search.files), tuple(search.findings))


_MALFORMED = "Site ids are letters, digits, _ and -. Rename the folder; nothing in it was read."
_OUTSIDE = "Exports are read from received/<site>/<YYYY-MM-DD>/ only; this was not read. Move it there."
_OUTSIDE_SITE = (
    "It belongs to no site: exports are read from received/<site>/<YYYY-MM-DD>/ only. Move it there."
)
_NO_DATE = "The folder is not named by a day. Rename it to YYYY-MM-DD; nothing in it was read."
_DEEPER = "A folder inside a receipt is not looked into. Move its files up into the receipt's folder."
_LINKED = "It is a link, and links are not followed. Put the folder itself there; nothing in it was read."
_NO_ENTRY = "The folder cannot be opened. Check its permissions; nothing in it was read."


def _received(workspace: Path) -> Path:
    folder = workspace / RECEIVED
    if folder.is_symlink():
        raise WrongUse(
            f"{folder} is a link, and links are not followed. Put the folder itself there, or mount it."
        )
    return folder


@dataclass
class _Search:
    """What was found on the way through the folders."""

    workspace: Path
    files: list[Arrival] = field(default_factory=list)
    findings: list[dict[str, object]] = field(default_factory=list)

    def named(self, path: Path) -> str:
        return "/".join(shown(part) for part in path.relative_to(self.workspace).parts)

    def say(self, path: Path, rule: str, message: str, site: str) -> None:
        self.findings.append(
            {"site": site, "source_file": self.named(path), "rule": rule, "message": message}
        )

    def entries(self, folder: Path, site: str) -> list[tuple[Path, int]]:
        """What lies in a folder with its kind, sorted by name, without hidden files and office lock files."""
        try:
            listed = sorted(folder.iterdir(), key=lambda entry: entry.name)
            return [(each, each.lstat().st_mode) for each in listed if not each.name.startswith((".", "~$"))]
        except FileNotFoundError:
            return []
        except OSError:
            self.say(folder, "folder_unreadable", _NO_ENTRY, site)
            return []

    def folders(self, folder: Path, site: str, outside: str) -> list[Path]:
        """The folders in a folder; links and everything else become findings."""
        found = []
        for entry, mode in self.entries(folder, site):
            if stat.S_ISDIR(mode):
                found.append(entry)
            elif stat.S_ISLNK(mode) and entry.is_dir():
                self.say(entry, "folder_is_link", _LINKED, site)
            else:
                self.say(entry, "file_outside_receipt", outside, site)
        return found

    def take(self, folder: Path, site: str, receipt: date) -> None:
        """The files of a receipt, links and pipes among them (refused later)."""
        for entry, mode in self.entries(folder, site):
            if stat.S_ISDIR(mode):
                self.say(entry, "folder_in_receipt", _DEEPER, site)
            else:
                self.files.append(Arrival(site, receipt, entry, self.named(entry)))

    def doubt_a_lone_receipt(self, as_of: date) -> None:
        """A receipt more than a year after every other one: its folder's year is probably mistyped."""
        known = [each for each in _receipts(self.workspace) if each[1] <= as_of]
        days = sorted({day for _, day, _ in known})
        if len(days) < 2 or (days[-1] - days[-2]).days <= LONGEST_SILENCE_DAYS:
            return
        message = (
            f"The receipt lies {(days[-1] - days[-2]).days} days after every other one. "
            "Check the year of the folder's name; the day of knowledge is taken from it."
        )
        for site, day, folder in known:
            if day == days[-1]:
                self.say(folder, "receipt_far_ahead", message, site)


def _receipts(workspace: Path) -> list[tuple[str, date, Path]]:
    """Site, day and folder of every receipt; nothing is said about the rest."""
    silent = _Search(workspace)
    return [
        (site.name, day, folder)
        for site in silent.folders(_received(workspace), "", _OUTSIDE_SITE)
        for folder in silent.folders(site, site.name, _OUTSIDE)
        if (day := receipt_date(folder.name)) is not None and _SITE_ID.fullmatch(site.name)
    ]
