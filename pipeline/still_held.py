"""Which editions still hold the data of patients who are now left out: what stands is not changed, but has to be known."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.editions import DRAFT
from pipeline.signed import manifest_of, periods_in

if TYPE_CHECKING:
    from pipeline.removals import Removed


def editions_holding(editions: Path, removed: Removed) -> tuple[Path, ...]:
    """Folders of the editions made from exports that hold rows of such patients, before their requests were known."""
    asked = {(request.file, request.line) for request in removed.requests if request.rows}
    if not asked:
        return ()
    return tuple(
        folder
        for period in periods_in(editions)
        for folder in sorted((editions / period.name).iterdir())
        if folder.is_dir() and _holds(manifest_of(folder), asked, removed.files)
    )


def _holds(manifest: dict[str, Any], asked: set[tuple[str, int]], files: frozenset[str]) -> bool:
    inputs = {str(each["path"]) for each in manifest.get("inputs", [])}
    requests = manifest.get("removals", {}).get("requests", [])
    followed = {(str(each["file"]), int(each["line"])) for each in requests}
    return bool(inputs & {file.partition("#")[0] for file in files}) and not asked <= followed


def told_of(editions: Path, removed: Removed) -> tuple[str, ...]:
    """Sentences for the screen: how much was left out, and which editions still hold it."""
    if not removed.rows:
        return ()
    patients = f"{removed.patients} patient{'s' * (removed.patients != 1)}"
    lines = [f"Left out on request: {patients}, {removed.rows} row{'s' * (removed.rows != 1)}."]
    holding = editions_holding(editions, removed)
    names = {True: [], False: []}  # type: dict[bool, list[str]]
    for folder in holding:
        names[folder.name.startswith(DRAFT)].append(f"{folder.parent.name}/{folder.name}")
    if names[False]:
        lines.append(f"Signed editions that still hold them, and are not changed: {', '.join(names[False])}.")
    if names[True]:
        lines.append(
            f"Drafts that still hold them: {', '.join(names[True])}. `limbaudit prune WORKSPACE` deletes them."
        )
    return tuple(lines)
