"""Editions: all or nothing.

An edition is built aside in `editions/.building-<pid>/`, checked against its own manifest, synced to disk and
renamed to its final name; only then does the pointer name it. No symbolic link is used.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

from pipeline import store
from pipeline.errors import CannotFinish

MANIFEST = Path("department") / "manifest.json"
OUTWARD = "outward"
POINTER = "current.json"
RUN_RECORD = "run.json"
BUILDING = ".building-"
DRAFT = "draft-"


def edition_hex(inputs: Mapping[str, object]) -> str:
    """The name of an edition: the first 12 hexadecimal digits of the SHA-256 over all that it depends on.

    `inputs` holds file hashes, dates, period and program version; its order does not matter.
    """
    canonical = json.dumps(inputs, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=str)
    return hashlib.sha256(canonical.encode("utf-8")).hexdigest()[:12]


def faults_of(folder: Path) -> tuple[str, ...]:
    """What is wrong with an edition's department folder: files missing, changed or unknown. Empty: it verifies.

    `run.json` is no part of it.
    """
    try:
        stated = json.loads((folder / MANIFEST).read_text("utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        return ("manifest.json is missing or cannot be read",)
    department = (folder / MANIFEST).parent
    faults = _unlike(department, stated) + _unlike(
        folder / OUTWARD, _outward(folder).get("files", {}), "outward/", None
    )
    return tuple(sorted(faults))


def _unlike(
    place: Path, stated: Mapping[str, str], shown: str = "", itself: str | None = "manifest.json"
) -> list[str]:
    """Files of a folder that are missing, changed or not stated."""
    there = {path.relative_to(place).as_posix() for path in place.rglob("*") if path.is_file()} - {itself}
    missing = [f"{shown}{name} is missing" for name in stated if name not in there]
    unknown = [f"{shown}{name} is not in the manifest" for name in there if name not in stated]
    both = [name for name in stated if name in there]
    found = store.sha256_of_each([place / name for name in both])
    changed = [
        f"{shown}{name} has other bytes"
        for name, sha256 in zip(both, found, strict=True)
        if sha256 != stated[name]
    ]
    return [*missing, *unknown, *changed]


def _outward(folder: Path) -> dict[str, Any]:
    """What an edition states of its outward one; empty where it states nothing."""
    told = json.loads((folder / MANIFEST).read_text("utf-8")).get("outward", {})
    return told if isinstance(told, dict) else {}


def without_outward(folder: Path) -> str:
    """Why an edition has no outward one, as a sentence; empty if it has one."""
    reason = _outward(folder).get("reason", "")
    return f"There is no outward edition: {reason}." if reason else ""


class Edition:
    """One edition, built aside and published whole.

    Usage: `with Edition(editions, period, draft_hex) as folder:` and write into `folder`. When the block ends
    without an exception the folder becomes `editions/<period>/draft-<hex>` and the pointer names it; otherwise
    it is removed and nothing else has changed.

    Args:
        editions: The folder of all editions (made where it lacks).
        period: `2026-10`, `2026-Q4` or `2026`.
        draft_hex: From `edition_hex`.
        group: Group that may read what is written; empty: the owner alone.
        number: Of a signed edition, which gets the name `<number>` and never takes the place of another; 0: a draft.
    """

    def __init__(self, editions: Path, period: str, draft_hex: str, group: str = "", number: int = 0) -> None:
        self.editions = editions
        self.period = period
        self.name = str(number) if number else f"{DRAFT}{draft_hex}"
        self.signed = number > 0
        self.group = group
        self.building = editions / f"{BUILDING}{os.getpid()}"

    @property
    def folder(self) -> Path:
        """Where the edition stands once it is published."""
        return self.editions / self.period / self.name

    def stands(self) -> bool:
        """The draft is there already, complete and with the bytes its manifest states."""
        return self.folder.is_dir() and not faults_of(self.folder)

    def renew(self) -> None:
        """Let the pointer name this edition, unless the one it names knows more."""
        if not self.is_behind():
            pointer = {"edition": self.name, "period": self.period}
            store.replace_text(store.json_text(pointer), self.folder.parent / POINTER, self.group)

    def is_behind(self) -> bool:
        """Whether the edition that the pointer names has a later day of knowledge than this one."""
        return bool(wiser_than(self.folder))

    def __enter__(self) -> Path:
        store.group_id(self.group)
        store.private_folder(self.editions, self.group)
        sweep(self.editions)
        shutil.rmtree(self.building, ignore_errors=True)
        self.building.mkdir(mode=0o700)
        return self.building

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self._publish()
        finally:
            shutil.rmtree(self.building, ignore_errors=True)

    def _publish(self) -> None:
        faults = faults_of(self.building)
        if faults:
            raise CannotFinish(f"The edition just built does not verify: {faults[0]}. Nothing was published.")
        store.protect(self.building, self.group)
        store.sync(self.building)
        store.private_folder(self.folder.parent, self.group)
        self._swap_in()
        store.sync_folder(self.folder.parent)
        self.renew()

    def _swap_in(self) -> None:
        """Rename to the final name; a broken edition of that name steps aside first and is then removed."""
        if self.signed and self.folder.exists():
            raise CannotFinish(f"{self.folder} was signed in the meantime. Nothing was changed; sign again.")
        aside = self.editions / f"{BUILDING}{os.getpid()}-replaced"
        shutil.rmtree(aside, ignore_errors=True)
        if self.folder.exists():
            self.folder.rename(aside)
        try:
            self.building.rename(self.folder)
        except OSError:
            if aside.exists():
                aside.rename(self.folder)
            raise
        shutil.rmtree(aside, ignore_errors=True)


def wiser_than(folder: Path) -> str:
    """Name of the current edition of the same period where that has a later day of knowledge; else empty."""
    named = current_edition(folder.parent.parent, folder.parent.name)
    wiser = named is not None and _as_of(named) > _as_of(folder) > ""
    return f"{folder.parent.name}/{named.name}" if named is not None and wiser else ""


def _as_of(folder: Path) -> str:
    """The day of knowledge an edition states, as text that sorts; empty where it cannot be read."""
    try:
        return str(json.loads((folder / MANIFEST).read_text("utf-8"))["as_of"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def current_edition(editions: Path, period: str) -> Path | None:
    """The folder the pointer of a period names, if there is a pointer and it can be read."""
    try:
        named = json.loads((editions / period / POINTER).read_text("utf-8"))["edition"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    plain = isinstance(named, str) and (named.startswith(DRAFT) or named.isdecimal()) and "/" not in named
    return editions / period / named if plain else None


def scratch_beside(editions: Path) -> Path:
    """A folder, not yet made, for what a run lays aside; `sweep` finds it once the run is dead."""
    return editions.resolve() / f"{BUILDING}{os.getpid()}-parts-{secrets.token_hex(8)}"


def sweep(editions: Path) -> tuple[Path, ...]:
    """Remove what broken-off runs left: `.building-*` and half-written pointers. Returns what was removed."""
    folders = [path for path in editions.glob(f"{BUILDING}*") if path.is_dir()]
    files = [path for within in ("", "*/") for path in editions.glob(f"{within}.*.json.*")]
    files += editions.glob(".index.html.*")
    left = sorted(path for path in (*folders, *files) if not _is_alive(path))
    for path in left:
        shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)
    return tuple(left)


def _is_alive(left: Path) -> bool:
    """Whether what a run is writing may still be written: it is younger than a day, and its process runs.

    Another process may have got the number since, and another machine numbers its own: so age counts too.
    """
    number = re.split(r"[-.]", left.name.removeprefix(BUILDING))[-1 if left.is_file() else 0]
    if abs(time.time() - left.stat().st_mtime) >= 86_400:
        return False
    return not number.isdigit() or os.name == "nt" or _runs(int(number))


def _runs(number: int) -> bool:
    try:
        os.kill(number, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True
