"""One run at a time on one folder of editions."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store
from pipeline.errors import Away, CannotFinish

if TYPE_CHECKING:
    from filelock import BaseFileLock

LOCK, HOLDER = ".lock", ".lock.json"


@contextmanager
def held(editions: Path, what: str, group: str = "", patience: float = 0) -> Iterator[None]:
    """Hold the folder of editions while the block runs; the system frees it when the holder dies.

    Args:
        editions: Made where it lacks.
        what: What is being done, for whoever comes second.
        group: Group that may read the folder.
        patience: Seconds to wait for another's end.

    Raises:
        CannotFinish: Somebody else holds it; the message says who, and since when.
        Away: The folder cannot be written.
    """
    lock = _acquired(editions, group, patience)
    try:
        _say_who(editions, what, group)
        yield
    finally:
        with suppress(OSError):
            (editions / HOLDER).unlink()
        lock.release()
        _without_trace(editions)


def _acquired(editions: Path, group: str, patience: float) -> BaseFileLock:
    from filelock import FileLock, Timeout

    lock = FileLock(editions / LOCK, timeout=patience, thread_local=False)
    try:
        store.private_folder(editions, group)
        lock.acquire()
    except Timeout:
        raise CannotFinish(
            f"{holder_said(editions)} Nothing was changed. Try again once it has ended."
        ) from None
    except NotImplementedError:
        raise CannotFinish(
            f"The file system of {editions} has no locks, so that two runs could write at once. Nothing was changed. "
            "Put the editions on another one (--out)."
        ) from None
    except OSError as fault:
        raise _away(editions, fault) from None
    return lock


def _say_who(editions: Path, what: str, group: str) -> None:
    try:
        store.replace_text(store.json_text(_ourselves(what)), editions / HOLDER, group)
    except OSError as fault:
        raise _away(editions, fault) from None


def _away(editions: Path, fault: OSError) -> Away:
    return Away(
        f"{editions} cannot be written: {fault.strerror or type(fault).__name__}. Nothing was changed. "
        "Make room there or give the right to write, or name another folder (--out)."
    )


def _without_trace(editions: Path) -> None:
    """A run that wrote nothing leaves nothing, also no folder with a lock alone."""
    with suppress(OSError):
        if [path.name for path in editions.iterdir()] == [LOCK]:
            (editions / LOCK).unlink()
            editions.rmdir()


def _ourselves(what: str) -> dict[str, object]:
    return {
        "what": what,
        "process": os.getpid(),
        "host": platform.node(),
        "since": datetime.now(UTC).isoformat(timespec="seconds"),
    }


def holder_said(editions: Path) -> str:
    """A sentence on who holds the folder."""
    try:
        told = json.loads((editions / HOLDER).read_text("utf-8"))
        return (
            f"Another run holds {editions}: {told['what']}, process {told['process']} on {told['host']}, "
            f"since {told['since']}."
        )
    except (OSError, ValueError, KeyError, TypeError):
        return f"Another run holds {editions}."
