"""Editions that need not be kept: drafts that nothing names any more, and signed ones replaced long ago."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pipeline.editions import BUILDING, DRAFT, current_edition, sweep
from pipeline.periods import Period
from pipeline.signed import SIGNATURE, manifest_of, periods_in, signed_editions
from pipeline.unattended.lock import held

FRONT_PAGE = "index.html"


@dataclass(frozen=True)
class Unneeded:
    """An edition that may go, why, and how large it is."""

    folder: Path
    why: str
    megabytes: float

    @property
    def name(self) -> str:
        return f"{self.folder.parent.name}/{self.folder.name}"

    @property
    def words(self) -> str:
        return f"{self.name} ({self.megabytes:.1f} MB): {self.why}."

    @classmethod
    def of(cls, folder: Path, why: str) -> Unneeded:
        size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        return cls(folder, why, size / 1e6)


def unneeded(editions: Path, keep_months: int) -> tuple[Unneeded, ...]:
    """What `prune` deletes, in the order of periods.

    Never the edition that a pointer names, never the last signed one of a period, never a signed one of which the period
    ended within `keep_months` before the newest day of knowledge of any edition.
    """
    newest = max((day for period in periods_in(editions) for day in _days(editions, period)), default=None)
    if newest is None:
        return ()
    return tuple(
        each for period in periods_in(editions) for each in _of(editions, period, newest, keep_months)
    )


def _days(editions: Path, period: Period) -> Iterator[date]:
    for folder in (editions / period.name).iterdir():
        stated = str(manifest_of(folder).get("as_of", ""))
        if stated:
            yield date.fromisoformat(stated)


def _of(editions: Path, period: Period, newest: date, keep_months: int) -> Iterator[Unneeded]:
    current = current_edition(editions, period.name)
    if current is None or not current.is_dir():
        return  # nobody can tell which of them counts
    numbered = signed_editions(editions, period)
    signed_as = {_draft_of(each.folder): each.number for each in numbered}
    for folder in sorted((editions / period.name).glob(f"{DRAFT}*")):
        if folder.is_dir() and folder != current:
            number = signed_as.get(folder.name)
            yield Unneeded.of(
                folder, f"it is signed as number {number}" if number else f"{current.name} replaced it"
            )
    for each in numbered[:-1]:
        if each.folder != current and _months(period.last_day, newest) > keep_months:
            why = f"number {numbered[-1].number} replaced it, and its period ended more than {keep_months} months ago"
            yield Unneeded.of(each.folder, why)


def _draft_of(folder: Path) -> str:
    """The name of the draft that was signed; empty where that cannot be read."""
    try:
        return str(json.loads((folder / SIGNATURE).read_text("utf-8"))["draft"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _months(earlier: date, later: date) -> int:
    """Whole months between two days."""
    months = (later.year - earlier.year) * 12 + later.month - earlier.month
    return months - (later.day < earlier.day)


def pruned(
    editions: Path, keep_months: int, group: str, front_page: Callable[[Path, str], None]
) -> tuple[Unneeded, ...]:
    """Delete what is not needed, each whole, and take it off the front page. Returns what was deleted.

    Args:
        front_page: Writes the list of editions, given their folder and the group.

    Raises:
        CannotFinish: Another run holds the editions.
    """
    with held(editions, "pruning", group):
        sweep(editions)
        found = unneeded(editions, keep_months)
        for number, each in enumerate(found):
            aside = editions / f"{BUILDING}{os.getpid()}-pruned-{number}"
            each.folder.rename(aside)
            shutil.rmtree(aside)
        if (
            found or (editions / FRONT_PAGE).is_file()
        ):  # also where an earlier pruning was broken off before it
            front_page(editions, group)
    return found
