"""A workspace as people fill it: made new, exports put where they belong, editions found."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pipeline.errors import WrongUse
from pipeline.store import sha256_of

SITE_ID = re.compile(r"[A-Za-z0-9_-]+")
FOLDERS = ("received", "mappings", "decisions", "links", "merges", "known_findings", "requests", "removals")


def made_new(folder: Path) -> tuple[Path, ...]:
    """Make an empty workspace; what is there already stays.

    Raises:
        WrongUse: The folder holds settings already.
    """
    from pipeline.settings import default_settings_text

    settings = folder / "audit.toml"
    if settings.exists():
        raise WrongUse(f"{settings} exists already. Edit it, or name another folder.")
    for name in FOLDERS:
        (folder / name).mkdir(parents=True, exist_ok=True)
    settings.write_text(default_settings_text(), encoding="utf-8")
    return (settings, *(folder / name for name in FOLDERS))


@dataclass(frozen=True)
class Put:
    """Where a file was put; `already` if the very same file lay there."""

    place: Path
    already: bool


def received_files(workspace: Path, site: str, files: tuple[Path, ...], on: date) -> tuple[Put, ...]:
    """Copy exports into `received/<site>/<on>/`, all or none.

    Raises:
        WrongUse: No workspace, a malformed site id, a file that is not there, or another file of that name.
    """
    if not (workspace / "audit.toml").is_file():
        raise WrongUse(f"{workspace} has no audit.toml. `limbaudit new {workspace}` makes a workspace.")
    if not SITE_ID.fullmatch(site):
        raise WrongUse(f"`{site}` is no site id: use letters, digits, _ and - only.")
    folder = workspace / "received" / site / on.isoformat()
    names = [file.name for file in files]
    if len(set(names)) < len(names):
        raise WrongUse("Two of the files have one name. Rename one of them; nothing was put anywhere.")
    puts = tuple(_planned(file, folder) for file in files)
    folder.mkdir(parents=True, exist_ok=True)
    for file, put in zip(files, puts, strict=True):
        if not put.already:
            shutil.copyfile(file, put.place)
    return puts


def _planned(file: Path, folder: Path) -> Put:
    if not file.is_file():
        raise WrongUse(f"{file} is not a file. Nothing was put anywhere.")
    place = folder / file.name
    if not place.exists():
        return Put(place, already=False)
    if sha256_of(place) != sha256_of(file):
        raise WrongUse(
            f"{place} exists and differs. A correction is a receipt of its own: use --on with the day it arrived, "
            "or another file name. Nothing was put anywhere."
        )
    return Put(place, already=True)


def standing_edition(editions: Path, period: str) -> Path | None:
    """The edition the pointer of a period names, by default of the newest period, if there is one."""
    from pipeline.editions import POINTER, current_edition

    periods = [period] if period else sorted(place.parent.name for place in editions.glob(f"*/{POINTER}"))
    return current_edition(editions, periods[-1]) if periods else None


def rules_of(edition: str, editions: Path) -> Path:
    """The folder of settings, catalogue and mappings as an edition used them.

    Args:
        edition: A path, or `<period>/<name>` under the editions, or a period (its standing edition).

    Raises:
        WrongUse: No such edition.
    """
    candidates = [Path(edition), editions / edition]
    found = [place / "department" / "as_used" for place in candidates if (place / "department").is_dir()]
    if found:
        return found[0]
    standing = standing_edition(editions, edition)
    if standing is None:
        raise WrongUse(
            f"There is no edition `{edition}` under {editions}. `limbaudit run WORKSPACE` makes one."
        )
    return standing / "department" / "as_used"
