"""Signing: the standing draft of a period becomes a numbered edition that never changes.

What is signed is made anew from the inputs, as the draft was, with the mark of a signed edition on every page; then
every table, list and picture is compared with the draft's. So nobody signs what cannot be made again, and the pages say
who signed without any file being edited by hand.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import store
from pipeline.clock import Clock, Listener, silent
from pipeline.editions import DRAFT, MANIFEST, RUN_RECORD, current_edition, faults_of
from pipeline.errors import WrongUse
from pipeline.periods import Period, parse_period
from pipeline.run import Asked, Made, made
from pipeline.signed import SAY_STATE, SIGNATURE, manifest_of, next_number, signed_editions
from pipeline.unattended.lock import held

if TYPE_CHECKING:
    from pipeline.publish.context import Signature

LONGEST_ROLE, LONGEST_REASON = 60, 500
AS_USED = Path("department") / "as_used"
#: Tables that rest on the signed edition before.
LOOK_BACK = ("tables/changes", "tables/changed_figures", "outward_basis", "tables/outward_basis")
OUTWARD_MANIFEST = "outward/manifest.json"
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")


@dataclass(frozen=True)
class Signed:
    """A signed edition just made."""

    place: Path
    number: int
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Draft:
    folder: Path
    period: Period
    manifest: dict[str, Any]


def signed(
    workspace: Path, period: str, role: str, despite: str, editions: Path, listener: Listener = silent
) -> Signed:
    """Sign the standing draft of a period.

    Args:
        role: In which role it is signed, such as `quality officer`.
        despite: Why it is signed although it is out of tolerance; empty where it is not.

    Raises:
        WrongUse: There is nothing to sign, or it must not be signed; the message says what to do.
        CannotFinish: It could not be made again; nothing was changed.
    """
    signature = _signature(role, despite)
    asked = parse_period(period)
    group = _draft(editions, asked).manifest["settings"]["access_group"]
    with held(editions, "a signing", group):
        draft = _draft(editions, asked)
        _check_tolerance(draft, signature)
        _check_news(draft, editions)
        clock = Clock(listener)
        new = _made_again(workspace, draft, editions, clock)
        number = next_number(editions, draft.period)
        place = _written(new, number, draft, signature, editions, clock)
    return Signed(place, number, tuple(draft.manifest["warnings"]))


def _signature(role: str, despite: str) -> Signature:
    from pipeline.publish.context import Signature

    told = {"--role": (role.strip(), LONGEST_ROLE), "--despite": (despite.strip(), LONGEST_REASON)}
    for option, (text, longest) in told.items():
        if len(text) > longest or _UNSEEN.search(text):
            raise WrongUse(f"{option} takes one line of at most {longest} characters. Nothing was signed.")
    if not role.strip():
        raise WrongUse('--role is empty. Say in which role you sign, such as --role "quality officer".')
    return Signature(role.strip(), despite.strip())


# ---------------------------------------------------------------- what may be signed


def _draft(editions: Path, period: Period) -> _Draft:
    """The standing draft, whole.

    Raises:
        WrongUse: There is none, or it does not verify.
    """
    run = f"`limbaudit run WORKSPACE --period {period.name}`"
    folder = current_edition(editions, period.name)
    if folder is None:
        raise WrongUse(f"There is no edition of {period.name} under {editions}. {run} makes a draft to sign.")
    if not folder.name.startswith(DRAFT):
        raise WrongUse(
            f"{period.name}/{folder.name} is signed already, and there is no newer draft. {run} makes one once there is news."
        )
    faults = faults_of(folder)
    if faults:
        raise WrongUse(
            f"The draft {folder} does not verify: {faults[0]}. Nothing was signed. {run} mends it; look at it again, then sign."
        )
    return _Draft(folder, period, manifest_of(folder))


def _check_tolerance(draft: _Draft, signature: Signature) -> None:
    warnings = draft.manifest["warnings"]
    if warnings and not signature.despite:
        reasons = "".join(f"\n  - {warning}" for warning in warnings)
        raise WrongUse(
            f"The draft of {draft.period.name} is out of tolerance:{reasons}\nNothing was signed. Have it mended and run again, "
            'or sign with --despite "reason"; the reason is printed on the first page.'
        )
    if signature.despite and not warnings:
        raise WrongUse(
            f"The draft of {draft.period.name} is within tolerance. Nothing was signed; sign without --despite."
        )


def _check_news(draft: _Draft, editions: Path) -> None:
    """A number is for news: the last one must differ in what it holds."""
    before = signed_editions(editions, draft.period)
    if before and _news(before[-1].manifest.get("files", {})) == _news(draft.manifest["files"]):
        raise WrongUse(
            f"Nothing has changed since {before[-1].name} was signed: every table and list is the same. It stands; nothing was "
            "signed."
        )


def _news(files: dict[str, str]) -> dict[str, str]:
    """Without what says whether it is signed, and without what looks back."""
    return {name: digest for name, digest in _without_state(files).items() if not name.startswith(LOOK_BACK)}


def _all_files(manifest: dict[str, Any]) -> dict[str, str]:
    """Path → SHA-256 of what a manifest states, the outward edition's files too."""
    outward = manifest.get("outward", {}).get("files", {})
    return {**manifest["files"], **{f"outward/{name}": digest for name, digest in outward.items()}}


def _without_state(files: dict[str, str]) -> dict[str, str]:
    """Without pages, charts, handout, workbook and the outward manifest, which say whether they are signed."""
    return {
        name: digest
        for name, digest in files.items()
        if not name.endswith(SAY_STATE) and name != OUTWARD_MANIFEST
    }


# ---------------------------------------------------------------- made again


def _made_again(workspace: Path, draft: _Draft, editions: Path, clock: Clock) -> Made:
    """The draft's edition from the inputs that lie there now, by its own settings, catalogue and mappings.

    Raises:
        WrongUse: It looks back to another signed edition than the draft does.
    """
    asked = Asked(
        workspace,
        period=draft.period.name,
        as_of=date.fromisoformat(draft.manifest["as_of"]),
        rules=draft.folder / AS_USED,
    )
    new = made(asked, editions, clock)
    if dict(new.context.compared_with) != draft.manifest["compared_with"]:
        named = ", ".join(new.context.compared_with) or "none"
        raise WrongUse(
            f"The signed edition before this one is now {named}, so what the draft says has changed is out of date. Nothing was "
            f"signed. `limbaudit run WORKSPACE --period {draft.period.name}`, look at it, then sign."
        )
    return new


def _written(
    new: Made, number: int, draft: _Draft, signature: Signature, editions: Path, clock: Clock
) -> Path:
    from pipeline.publish import write_signed

    def sealed(folder: Path) -> None:
        _check_same(folder, draft)
        store.write_json(_seal(folder, number, draft, signature), folder / SIGNATURE)
        store.write_json(clock.record(), folder / RUN_RECORD)

    context = replace(new.context, signature=signature)
    with clock.stage("publish"):
        return write_signed(editions, number, new.tables, context, sealed)


def _check_same(folder: Path, draft: _Draft) -> None:
    """What was made again is the draft, byte for byte, but for what says that it is signed.

    Raises:
        WrongUse: A file differs.
    """
    stated = json.loads((folder / MANIFEST).read_text("utf-8"))
    again, before = (_without_state(_all_files(each)) for each in (stated, draft.manifest))
    differ = sorted(name for name in again.keys() | before.keys() if again.get(name) != before.get(name))
    if differ:
        made_by = draft.manifest["program"]["version"]
        other = f", made by version {made_by}" if made_by != stated["program"]["version"] else ""
        raise WrongUse(
            f"The draft {draft.folder.name}{other} cannot be made again from what lies in the workspace now: {differ[0]} "
            f"{f'and {len(differ) - 1} more files differ' if len(differ) > 1 else 'differs'}. Nothing was signed. "
            f"`limbaudit run WORKSPACE --period {draft.period.name}` makes a new draft; look at it, then sign."
        )


def _seal(folder: Path, number: int, draft: _Draft, signature: Signature) -> dict[str, object]:
    """What stands in signature.json, the one file of a signed edition that knows the clock (beside run.json)."""
    return {
        "period": draft.period.name,
        "number": number,
        "role": signature.role,
        "despite": signature.despite,
        "signed_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "draft": draft.folder.name,
        "draft_manifest_sha256": store.sha256_of(draft.folder / MANIFEST),
        "manifest_sha256": store.sha256_of(folder / MANIFEST),
    }
