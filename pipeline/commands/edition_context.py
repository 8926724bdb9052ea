"""What an edition says about itself, read back from its manifest and the settings and catalogue it used."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.publish import Context


def edition_context(edition: Path) -> Context:
    """The facts of a written edition; findings and inputs are left out.

    Args:
        edition: Its folder.
    """
    from pipeline.catalogue import load_catalogue
    from pipeline.publish import Context
    from pipeline.publish.context import Signature
    from pipeline.settings import load_settings
    from schemas.exports import EXPORTS

    department = edition / "department"
    said: dict[str, Any] = json.loads((department / "manifest.json").read_text("utf-8"))
    catalogue = load_catalogue(department / "as_used" / "catalogue.toml")
    return Context(
        period=said["period"],
        cut_on=date.fromisoformat(said["cut_on"]),
        as_of=date.fromisoformat(said["as_of"]),
        sites=tuple(_site(site) for site in said["sites"]),
        settings=load_settings(department / "as_used" / "audit.toml", catalogue, EXPORTS["operations"].names),
        catalogue=catalogue,
        version=said["program"]["version"],
        warnings=tuple(said["warnings"]),
        number=said["number"],
        signature=Signature(**said["signature"]) if said["signature"] else None,
    )


def _site(said: dict[str, Any]) -> Any:
    from pipeline.publish import SiteState

    until = date.fromisoformat(said["data_until"]) if said["data_until"] else None
    several = {name: tuple(said[name]) for name in ("incomplete", "set_aside", "reasons")}
    return SiteState(**{**said, **several, "data_until": until})
