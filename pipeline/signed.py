"""Signed editions: numbered, never changed, and the one a later edition is compared with.

`editions/<period>/<n>/` holds `department/` and, beside it, `signature.json`: who signed in which role and when, which
draft was signed, and the SHA-256 of the manifest that in turn holds the hash of every file.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.editions import MANIFEST, Edition, faults_of
from pipeline.errors import WrongUse
from pipeline.periods import Period, parse_period
from pipeline.store import sha256_of

SIGNATURE = "signature.json"
OUTWARD = Path("outward") / "manifest.json"
#: Files that say whether an edition is signed; all others of a signed edition are those of its draft, byte for byte.
SAY_STATE = (".html", ".svg", ".pdf", ".xlsx")


@dataclass(frozen=True)
class SignedEdition:
    """A numbered edition: its folder, period and number."""

    folder: Path
    period: Period
    number: int

    @property
    def name(self) -> str:
        """`<period>/<n>`."""
        return f"{self.period.name}/{self.number}"

    @property
    def manifest(self) -> dict[str, Any]:
        """What it says of itself; empty where that cannot be read."""
        return manifest_of(self.folder)

    @property
    def manifest_sha256(self) -> str:
        """Empty where there is no manifest."""
        path = self.folder / MANIFEST
        return sha256_of(path) if path.is_file() else ""

    def knows_no_more_than(self, as_of: date) -> bool:
        """Its day of knowledge is not after `as_of`; also where it cannot be read."""
        return str(self.manifest.get("as_of", "")) <= as_of.isoformat()


def manifest_of(folder: Path) -> dict[str, Any]:
    """What an edition says of itself; empty where that cannot be read."""
    try:
        told = json.loads((folder / MANIFEST).read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def periods_in(editions: Path) -> tuple[Period, ...]:
    """The periods that have a folder, in order of their last day and then their length."""
    found = []
    for path in sorted(editions.iterdir()) if editions.is_dir() else ():
        try:
            found.append(parse_period(path.name)) if path.is_dir() else None
        except WrongUse:
            continue  # not an edition's folder
    return tuple(sorted(found, key=lambda period: (period.last_day, period.first_day)))


def signed_editions(editions: Path, period: Period) -> tuple[SignedEdition, ...]:
    """The numbered editions of a period, in order of their numbers."""
    folder = editions / period.name
    numbers = [path for path in folder.iterdir() if path.is_dir()] if folder.is_dir() else []
    found = [
        SignedEdition(path, period, int(path.name))
        for path in numbers
        if path.name.isdecimal() and path.name == str(int(path.name))
    ]
    return tuple(sorted(found, key=lambda edition: edition.number))


def last_signed(editions: Path, period: Period, as_of: date) -> SignedEdition | None:
    """What an edition is compared with: the newest signed one of the same kind of period, not later and not wiser.

    Args:
        period: Of the edition that looks back.
        as_of: Its day of knowledge.
    """
    earlier = [
        each for each in periods_in(editions) if each.kind == period.kind and each.last_day <= period.last_day
    ]
    for each in reversed(earlier):
        known = [one for one in signed_editions(editions, each) if one.knows_no_more_than(as_of)]
        if known:
            return known[-1]
    return None


def last_outward(editions: Path, last_day: date, as_of: date) -> SignedEdition | None:
    """The newest signed edition of any kind of period that has an outward one, not later and not wiser.

    What readers outside have in their hands is what was signed; a draft is not given out.
    """
    earlier = [each for each in periods_in(editions) if each.last_day <= last_day]
    for each in reversed(earlier):
        for one in reversed(signed_editions(editions, each)):
            if one.knows_no_more_than(as_of) and (one.folder / OUTWARD).is_file():
                return one
    return None


def holds_the_same(edition: SignedEdition, period: str, made_from: str) -> bool:
    """Whether a signed edition is of this period, was made from the same, and is whole."""
    same = edition.period.name == period and edition.manifest.get("made_from") == made_from
    return same and not all_faults(edition.folder)


def point_to(editions: Path, edition: SignedEdition, group: str) -> None:
    """Let the pointer of its period name a signed edition, unless the one it names knows more."""
    Edition(editions, edition.period.name, "", group, edition.number).renew()


def next_number(editions: Path, period: Period) -> int:
    """The number that the next signed edition of a period gets."""
    return max((each.number for each in signed_editions(editions, period)), default=0) + 1


def signature_faults(folder: Path) -> tuple[str, ...]:
    """What is wrong with the signature of a numbered edition; empty where it fits the manifest."""
    try:
        told = json.loads((folder / SIGNATURE).read_text("utf-8"))
        stated = str(told["manifest_sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return (f"{SIGNATURE} is missing or cannot be read",)
    path = folder / MANIFEST
    if path.is_file() and sha256_of(path) != stated:
        return ("manifest.json is not the one that was signed",)
    return ()


def all_faults(folder: Path) -> tuple[str, ...]:
    """What is wrong with an edition: files missing, changed or unknown, and, where it is numbered, its signature."""
    signature = signature_faults(folder) if folder.name.isdecimal() else ()
    return (*signature, *faults_of(folder))
