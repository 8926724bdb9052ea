"""One run at a time on one folder of editions."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from pipeline import store
from pipeline.errors import CannotFinish

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
    """
    from filelock import FileLock, Timeout

    store.private_folder(editions, group)
    lock = FileLock(editions / LOCK, timeout=patience, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        raise CannotFinish(
            f"{holder_said(editions)} Nothing was changed. Try again once it has ended."
        ) from None
    try:
        store.replace_text(store.json_text(_ourselves(what)), editions / HOLDER, group)
        yield
    finally:
        with suppress(OSError):
            (editions / HOLDER).unlink()
        lock.release()
        _without_trace(editions)


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
