"""Whether editions are still as they were written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.editions import DRAFT, MANIFEST, POINTER, current_edition
from pipeline.errors import WrongUse
from pipeline.signed import all_faults, manifest_of, periods_in

DEPARTMENT = MANIFEST.parent


@dataclass(frozen=True)
class Look:
    """One edition or pointer that was looked at, and what is wrong with it."""

    name: str
    words: str
    faults: tuple[str, ...]


def looked_at(place: Path) -> tuple[Look, ...]:
    """Every edition under a place, and the pointers that should lead to one.

    Args:
        place: A workspace, a folder of editions, or one edition.

    Raises:
        WrongUse: There is no edition.
    """
    if (place / DEPARTMENT).is_dir():
        return (_edition(place),)
    folder = place / "editions" if (place / "editions").is_dir() else place
    looks = tuple(look for period in periods_in(folder) for look in _period(folder, period.name))
    if not looks:
        raise WrongUse(f"There is no edition in {folder}. `limbaudit run WORKSPACE` makes one.")
    return looks


def _period(folder: Path, period: str) -> Iterator[Look]:
    """Numbered editions in the order of their numbers, then drafts, then the pointer."""
    there = sorted(path for path in (folder / period).iterdir() if path.is_dir())
    numbered = sorted((path for path in there if path.name.isdecimal()), key=lambda path: int(path.name))
    yield from map(_edition, numbered)
    yield from (_edition(path) for path in there if path.name.startswith(DRAFT))
    if fault := _pointer_fault(folder, period):
        yield Look(f"{period}/{POINTER}", "leads nowhere", (fault,))


def _edition(folder: Path) -> Look:
    faults = all_faults(folder)
    name = f"{folder.resolve().parent.name}/{folder.resolve().name}"
    files = len(manifest_of(folder).get("files", {}))
    return Look(name, "not as it was written" if faults else f"as it was written, {files} files", faults)


def _pointer_fault(folder: Path, period: str) -> str:
    anew = f"`limbaudit run WORKSPACE --period {period}` writes it anew."
    named = current_edition(folder, period)
    if named is None and (folder / period / POINTER).exists():
        return f"it cannot be read. {anew}"
    if named is None or not (named / DEPARTMENT).is_dir():
        return f"it names no edition. {anew}"
    return ""
