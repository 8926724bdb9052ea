"""A night on which nothing came: what the validation of the night before wrote still holds, and is not worked out again.

What `check` writes depends on the files known by a day and on few things that the day itself decides. All of these are
put under one fingerprint; where it is that of the night before and nobody touched what that night wrote, the files
are copied. Deleted, a night takes longer and writes the same.
"""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import asdict
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import store
from pipeline.clock import Listener, silent

if TYPE_CHECKING:
    from pipeline.intake.arrivals import Arrival
    from pipeline.run import Asked, Done, Ground

#: Beside the nights' folders: what the last one was made from, what it wrote, and what it said.
RECORD = "last.json"


def checked_tonight(asked: Asked, checks: Path, listener: Listener = silent) -> Done:
    """As `run.checked` into `checks/<as_of>`, or what the night before wrote where nothing has changed.

    Raises:
        WrongUse, CannotFinish: As `run.checked`.
    """
    from pipeline.run import checked, ground_of

    ground = ground_of(asked)
    out = checks / ground.as_of.isoformat()
    known = fingerprint(ground)
    earlier = _as_before(checks, known, ground)
    if earlier is not None:
        before, done = earlier
        _copied(before, out, ground.settings.access_group)
    else:
        done = checked(asked, out, listener)
    removed = _removals(ground)
    if removed != _recorded(checks).get("removals", ""):
        _without_other_nights(checks, out.name)
    told = {
        "known": known,
        "removals": removed,
        "folder": out.name,
        "files": store.hashes_under(out),
        "warnings": done.warnings,
        "summary": asdict(done.summary),
    }
    store.replace_text(store.json_text(told), checks / RECORD, ground.settings.access_group)
    return done


def fingerprint(ground: Ground) -> str:
    """SHA-256 of all that decides what a validation finds on a day."""
    return sha256(store.json_text(decides(ground)).encode()).hexdigest()


def decides(ground: Ground) -> dict[str, Any]:
    """All that decides what a validation finds on a day, but for the day itself; `received` and `rules` by file."""
    from pipeline.edition_facts import rule_files
    from pipeline.intake.arrivals import arrivals
    from pipeline.people import FOLDERS, people_known
    from pipeline.shelf import program_fingerprint
    from pipeline.sites import is_due

    asked, as_of = ground.asked, ground.as_of
    received = arrivals(asked.workspace, as_of)
    people = people_known(asked.workspace, as_of)
    decided = {name: getattr(people, name) for name in FOLDERS}
    holds = [str(day >= as_of) for day in people.known_findings["until"]]
    return {
        "program": program_fingerprint(),
        "period": ground.period.name,
        "received": {file.source_file: _content(file) for file in received.files},
        "not read": received.findings,
        "rules": {name: store.sha256_of(path) for name, path in rule_files(asked.rules_folder).items()},
        "decided": {name: rows.to_csv(index=False) for name, rows in decided.items()},
        "amiss": people.findings.to_csv(index=False),
        "known findings that hold": holds,
        "due": {name: is_due(site, ground.cut_on, as_of) for name, site in ground.settings.sites.items()},
    }


def _content(file: Arrival) -> str:
    """Fingerprint of a file's bytes; of one that nobody opens, such as a link or a pipe, what intake says of it."""
    from pipeline.intake.read import digest, stored_bytes
    from pipeline.intake.refusal import Refusal

    try:
        return digest(stored_bytes(file))
    except Refusal as refusal:
        return str(refusal)


def _removals(ground: Ground) -> str:
    """Fingerprint of the requests to be left out that are known on the day; empty where there are none."""
    from pipeline.people import people_known

    rows = people_known(ground.asked.workspace, ground.as_of).removals
    return sha256(rows.to_csv(index=False).encode()).hexdigest() if len(rows) else ""


def _without_other_nights(checks: Path, tonight: str) -> None:
    """What earlier nights held back may be rows of a patient who has asked to be left out since."""
    for folder in sorted(checks.glob("????-??-??")):
        if folder.name != tonight:
            shutil.rmtree(folder)


def _recorded(checks: Path) -> dict[str, Any]:
    """What the last night left word of; nothing where that cannot be read."""
    try:
        told = json.loads((checks / RECORD).read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def _as_before(checks: Path, known: str, ground: Ground) -> tuple[Path, Done] | None:
    """The folder of the night before and how it ended, if it was made from the same and is as it was left."""
    from pipeline.run import Done
    from pipeline.summary import Summary

    told = _recorded(checks)
    try:
        before = checks / Path(str(told["folder"])).name
        if told["known"] != known or store.hashes_under(before) != told["files"] or not told["files"]:
            return None
        said = told["summary"]
        summary = Summary(str(said["count"]), dict(said["files"]), tuple(map(str, said["rows"])))
        warnings = tuple(map(str, told["warnings"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return before, Done(checks / ground.as_of.isoformat(), warnings, ground, summary)


def _copied(before: Path, out: Path, group: str) -> None:
    """The files of one night as another's; a folder of that name is replaced."""
    for left in sorted(out.parent.glob(".????-??-??.*")):
        shutil.rmtree(left, ignore_errors=True)
    if before == out:
        store.protect(out, group)
        return
    aside = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        shutil.copytree(before, aside)
        store.protect(aside, group)
        shutil.rmtree(out, ignore_errors=True)
        aside.replace(out)
    finally:
        shutil.rmtree(aside, ignore_errors=True)
