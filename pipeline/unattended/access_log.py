"""Who used what, and when: one line a use, in the folder of the workspace on this machine."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from pipeline import store
from pipeline.errors import WrongUse

FILE = "access.log"
#: The first bytes of a file in which its first line's moment stands.
HEAD_BYTES = 64
#: The last bytes of a file in which its last line stands.
TAIL_BYTES = 2048


@dataclass(frozen=True)
class Use:
    """One use of a command; the fields are the keys of a line, in this order.

    Attributes:
        at: When it ended: ISO, with the offset of the machine's time zone.
        user: Name of the user for the operating system.
        command: `run`, `trace`, `sheet`, `review` or `sign`.
        edition: `<period>/<name>` that was read or written; empty where there was none.
        subject: Whom or what was asked for: a case or record of the edition, a surgeon, a reviewer; never free text.
        exit_code: How it ended.
    """

    at: str
    user: str
    command: str
    edition: str = ""
    subject: str = ""
    exit_code: int = 0


def noted_use(place: Path, use: Use, group: str = "") -> None:
    """Add a line; several commands may do so at once, none waits for another.

    A file made here is readable by its owner and the group; one that exists keeps its mode, so that several people can
    be let add to it.

    Args:
        place: Folder of the workspace in the state folder.
        use: What is written.
        group: Group that may read it; one that the machine does not have is nobody.

    Raises:
        OSError: It cannot be written.
    """
    group = _known(group)
    store.private_folder(place, group)
    file = place / FILE
    _put_by(file, use.at[:4])
    fresh = not file.exists()
    line = (json.dumps(asdict(use), ensure_ascii=False) + "\n").encode("utf-8")
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o600)
    try:
        if os.write(handle, line) < len(line):
            raise OSError(None, "only a part of the line could be written", str(file))
    finally:
        os.close(handle)
    if fresh:
        store.protect(file, group)


def last_use(place: Path) -> Use | None:
    """The newest line, if there is one that can be read."""
    try:
        with (place / FILE).open("rb") as stream:
            stream.seek(max(os.fstat(stream.fileno()).st_size - TAIL_BYTES, 0))
            lines = stream.read().decode("utf-8", "replace").splitlines()
        return Use(**json.loads(lines[-1]))
    except (OSError, ValueError, TypeError, IndexError):
        return None


def user_name() -> str:
    """Who the operating system says it is; what the environment says counts only where there is no other word."""
    try:
        import pwd
    except ImportError:
        return os.environ.get("USERNAME") or "not known"
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return f"user {os.getuid()}"


def _known(group: str) -> str:
    try:
        store.group_id(group)
    except WrongUse:
        return ""
    return group


def _put_by(file: Path, year: str) -> None:
    """Where the file was begun in an earlier year, lay it aside as `access-<year>.log`, once."""
    from filelock import FileLock, Timeout

    if _begun(file) in ("", year):
        return
    with suppress(OSError, Timeout), FileLock(file.with_name(f".{FILE}.lock"), timeout=1):
        begun = _begun(file)
        aside = file.with_name(f"access-{begun}.log")
        if begun not in ("", year) and not aside.exists():
            file.rename(aside)


def _begun(file: Path) -> str:
    """Year of the first line; empty where there is none or it cannot be told."""
    try:
        with file.open("rb") as stream:
            head = stream.read(HEAD_BYTES).decode("utf-8", "replace")
        return str(datetime.fromisoformat(head.removeprefix('{"at": "').partition('"')[0]).year)
    except (OSError, ValueError):
        return ""
