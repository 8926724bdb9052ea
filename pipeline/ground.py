"""What a run stands on: what was asked for, the rules in force, and the two dates."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.catalogue import Catalogue, load_catalogue
from pipeline.engine import HERE, Engine
from pipeline.errors import CannotFinish, WrongUse
from pipeline.periods import Period, last_complete, parse_period
from pipeline.settings import Compare, Primary, Settings, load_settings
from schemas.exports import EXPORTS

if TYPE_CHECKING:
    from pipeline.lookup import Lookup


@dataclass(frozen=True)
class Asked:
    """What was asked for.

    Attributes:
        workspace: Its folder.
        period: Name of the edition; empty: the last whole one on `as_of`.
        as_of: Last day whose receipts and decisions are known; None: the newest date in the workspace.
        rules: Folder with audit.toml, catalogue.toml and mappings/ if not the workspace's own (`--as-in`).
        engine: Where the parts of the patients are worked on, and how many there are; changes no result.
        processes: How many may work at once, see `pipeline.second`; changes no result.
        kept: Folder of what earlier runs checked, see `pipeline.shelf`; None: everything is checked anew.
    """

    workspace: Path
    period: str = ""
    as_of: date | None = None
    rules: Path | None = None
    engine: Engine = HERE
    processes: int = 1
    kept: Path | None = None

    @property
    def rules_folder(self) -> Path:
        return self.rules or self.workspace


@dataclass(frozen=True)
class Ground:
    """What every stage stands on: rules in force and the two dates."""

    asked: Asked
    settings: Settings
    catalogue: Catalogue
    look: Lookup
    period: Period
    as_of: date

    @property
    def cut_on(self) -> date:
        return self.period.last_day


def ground_of(asked: Asked) -> Ground:
    """Read settings and catalogue, and settle period and as_of.

    Raises:
        WrongUse: The workspace, its settings or its catalogue cannot be used.
    """
    from pipeline.lookup import lookup_for

    if not asked.workspace.is_dir():
        raise WrongUse(
            f"{asked.workspace} is not a folder. `limbaudit new {asked.workspace}` makes a workspace."
        )
    catalogue = load_catalogue(asked.rules_folder / "catalogue.toml")
    settings = load_settings(asked.rules_folder / "audit.toml", catalogue, EXPORTS["operations"].names)
    as_of = asked.as_of or _newest_date(asked.workspace)
    period = parse_period(asked.period) if asked.period else last_complete(settings.period, as_of)
    look = lookup_for(catalogue, _compared_procedures(settings))
    return Ground(asked, settings, catalogue, look, period, as_of)


def _newest_date(workspace: Path) -> date:
    """The newest receipt or decision in the workspace, never the machine's clock."""
    from pipeline.intake import newest_receipt
    from pipeline.people import newest_decision

    known = [day for day in (newest_receipt(workspace), newest_decision(workspace)) if day is not None]
    if not known:
        raise CannotFinish(
            f"{workspace} holds no exports: received/<site>/<YYYY-MM-DD>/ is empty. "
            "`limbaudit receive WORKSPACE SITE FILE` puts one there. Nothing was written."
        )
    return max(known)


def _compared_procedures(settings: Settings) -> list[tuple[str, str]]:
    asked: list[Compare | Primary] = [*([settings.primary] if settings.primary else []), *settings.compare]
    return [(entry.a, entry.b) for entry in asked if entry.by == "procedure"]
