"""What an edition says about itself: the files it was made from, its name, its dates and sites.

Split from `run` only for length; `run.made` is the way in.
"""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.editions import edition_hex
from pipeline.shelf import LIBRARIES
from pipeline.store import sha256_of

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.publish.context import Context, SiteState
    from pipeline.run import Accounted, Ground


def inputs_of(rows: Accounted) -> dict[str, str]:
    """Path from the workspace → SHA-256 of every file the edition depends on."""
    asked = rows.ground.asked
    exports = {
        source.source_file.partition("#")[0]: source.sha256 for source in rows.validated.accepted.sources
    }
    written = {path.relative_to(asked.workspace).as_posix(): sha256_of(path) for path in rows.people.files}
    rules = {name: sha256_of(path) for name, path in rule_files(asked.rules_folder).items()}
    return dict(sorted({**exports, **written, **rules}.items()))


def rule_files(folder: Path) -> dict[str, Path]:
    """Settings, catalogue and mappings as they lie in a workspace or an edition's copies."""
    names = ["audit.toml", "catalogue.toml"]
    files = [folder / name for name in names if (folder / name).is_file()]
    files += sorted(path for path in folder.glob("mappings/*.toml") if path.is_file())
    return {path.relative_to(folder).as_posix(): path for path in files}


def made_from(ground: Ground, inputs: dict[str, str]) -> str:
    """The hex of all that an edition depends on but the signed one before it."""
    return edition_hex(
        {
            "inputs": inputs,
            "as_of": ground.as_of,
            "period": ground.period.name,
            "program": program_version(),
            "libraries": {name: version(name) for name in LIBRARIES},
        }
    )


def draft_hex(context: Context) -> str:
    """The name of an edition's draft: what it was made from and, where there are any, the editions it looks back to."""
    last, looks_back = context.set_against, dict(context.compared_with)
    if last is not None and last.name not in looks_back:
        looks_back[last.name] = last.manifest_sha256
    if not looks_back:
        return context.made_from
    return edition_hex({"made_from": context.made_from, "compared_with": looks_back})


def program_version() -> str:
    return version("limbaudit")


def context_of(rows: Accounted, found: pd.DataFrame, for_senders: pd.DataFrame) -> Context:
    """What an edition says about itself, as a draft without a signed one before it."""
    from pipeline.publish.context import Context, Input

    ground, inputs = rows.ground, inputs_of(rows)
    return Context(
        period=ground.period.name,
        cut_on=ground.cut_on,
        as_of=ground.as_of,
        sites=_sites(rows),
        settings=ground.settings,
        catalogue=ground.catalogue,
        version=program_version(),
        inputs=tuple(Input(path, digest) for path, digest in inputs.items()),
        found=found,
        for_senders=for_senders,
        warnings=rows.warnings,
        as_used={name: path.read_bytes() for name, path in rule_files(ground.asked.rules_folder).items()},
        versions={name: version(name) for name in LIBRARIES},
        removals=rows.removed.requests,
        patients_removed=rows.removed.patients,
        made_from=made_from(ground, inputs),
    )


def _sites(rows: Accounted) -> tuple[SiteState, ...]:
    from pipeline.publish.context import SiteState

    return tuple(
        SiteState(
            site=reach.site.site_id,
            name=reach.site.name,
            data_until=reach.data_until,
            late=reach.late,
            incomplete=reach.incomplete,
            set_aside=tuple(source.source_file for source in reach.set_aside),
            verdict=rows.scorecard.verdicts[reach.site.site_id].word,
            reasons=rows.scorecard.verdicts[reach.site.site_id].reasons,
        )
        for reach in rows.reached
    )
