"""`manifest.json`: what an edition was made from, what it holds, and what this version does not make yet."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store
from pipeline.known import is_new
from pipeline.publish.context import Context
from schemas.published import PUBLISHED

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.publish.outward import Outcome

CONTRACT = 1
SENDERS = "for_the_sender"  # written from the findings, a file a site


def not_built_yet(written: Collection[str]) -> dict[str, str]:
    """Name → what it would hold, for all that is agreed but not in this edition.

    Args:
        written: Names of the tables this edition holds.
    """
    return {
        name: table.description
        for name, table in PUBLISHED.items()
        if name not in written and name != SENDERS
    }


def write_manifest(department: Path, context: Context, missing: dict[str, str], outward: Outcome) -> None:
    """The last file written: it holds the hash of every other one.

    Args:
        missing: From `not_built_yet`.
        outward: What became of the outward edition.
    """
    store.write_json(
        {
            "contract": CONTRACT,
            "state": context.state,
            "number": context.number,
            "signature": asdict(context.signature) if context.signature else None,
            "removals": {
                "patients": context.patients_removed,
                "rows": sum(request.rows for request in context.removals),
                "requests": [asdict(request) for request in context.removals],
            },
            "made_from": context.made_from,
            "compared_with": dict(context.compared_with),
            "program": {"name": "limbaudit", "version": context.version},
            "versions": dict(context.versions),
            "period": context.period,
            "cut_on": context.cut_on.isoformat(),
            "as_of": context.as_of.isoformat(),
            "data_until": {site.site: _iso(site.data_until) for site in context.sites},
            "sites": [asdict(site) for site in context.sites],
            "verdicts": {site.site: site.verdict for site in context.sites},
            "warnings": list(context.warnings),
            "findings": _by_rule(context.found),
            "known_findings": _by_rule(context.found[~is_new(context.found)]),
            "inputs": [asdict(source) for source in sorted(context.inputs, key=lambda source: source.path)],
            "settings": asdict(context.settings),
            "catalogue_differs": list(context.catalogue.differs),
            "as_used": sorted(f"as_used/{name}" for name in context.as_used),
            "not_built_yet": missing,
            "outward": {
                "written": not outward.reason,
                "reason": outward.reason,
                "set_against": outward.after,
                "files": dict(outward.files or {}),
            },
            "files": store.hashes_under(department),
        },
        department / "manifest.json",
    )


def _iso(when: object) -> str | None:
    return None if when is None else str(when)


def _by_rule(found: pd.DataFrame) -> dict[str, int]:
    """Rule → number of findings."""
    return {str(rule): int(number) for rule, number in found["rule"].value_counts().sort_index().items()}
