"""What this machine remembers of a workspace between nights: up to when all was done, and what was last told."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path

from pipeline import store

FILE = "nights.json"


@dataclass(frozen=True)
class Memory:
    """Nothing in it is needed to make an edition; without it the last night and month are done once more.

    Attributes:
        done_until: Up to when every task was done.
        ends: Kind of task → how its last one ended, see `unattended.notices.State.told`.
        told: The state that was told last, in the same form.
        last: What the last tasks said of themselves, in words, newest last.
        waiting: Tasks that a share or a disk kept from being done, as [when, kind, period]: done first next time.
        seen: Hospitals of which there were exports.
        notices: Where notices went (`webhook`, `mail_to`), for a night whose settings cannot be read.
    """

    done_until: datetime | None = None
    ends: dict[str, dict[str, object]] = field(default_factory=dict)
    told: dict[str, object] = field(default_factory=dict)
    last: tuple[str, ...] = ()
    notices: dict[str, str] = field(default_factory=dict)
    waiting: tuple[tuple[str, str, str], ...] = ()
    seen: tuple[str, ...] = ()


def place_of(state_folder: Path, workspace: Path) -> Path:
    """Folder of a workspace in the state folder; two workspaces of one name have two."""
    whole = workspace.resolve()
    digest = hashlib.sha256(str(whole).encode("utf-8")).hexdigest()[:8]
    return state_folder / "workspaces" / f"{whole.name}-{digest}"


def remembered(place: Path) -> Memory:
    """What stands in the folder; nothing where it lacks or cannot be read."""
    try:
        found = json.loads((place / FILE).read_text("utf-8"))
        until = found["done_until"]
        ends = {str(kind): dict(end) for kind, end in found["ends"].items()}
        when = datetime.fromisoformat(until) if until else None
        addresses = {str(name): str(address) for name, address in found.get("notices", {}).items()}
        waiting = tuple((str(at), str(kind), str(period)) for at, kind, period in found.get("waiting", []))
        seen = tuple(str(site) for site in found.get("seen", []))
        return Memory(when, ends, dict(found["told"]), tuple(found["last"]), addresses, waiting, seen)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return Memory()


def remember(place: Path, memory: Memory, group: str = "") -> None:
    """Replace what stands in the folder, readable by its owner and the group."""
    store.private_folder(place, group)
    until = memory.done_until.isoformat() if memory.done_until else ""
    content = {**asdict(memory), "done_until": until}
    store.replace_text(store.json_text(content), place / FILE, group)
