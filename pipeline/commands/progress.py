"""What a terminal shows while a long command works."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """A line that says which stage runs, on a terminal; silence otherwise."""
    if not sys.stderr.isatty():
        yield lambda stage: None
        return
    from rich.console import Console

    from pipeline.run import STAGES

    with Console(stderr=True).status("starting") as status:
        yield lambda stage: status.update(f"{stage} ({STAGES.index(stage) + 1} of {len(STAGES)})")
