"""What a terminal shows while a long command works."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager


def _where(stage: str, stages: Sequence[str]) -> str:
    """The stage's place among those named; empty for what is part of one."""
    return f" ({stages.index(stage) + 1} of {len(stages)})" if stage in stages else ""


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """A line that says which stage runs, on a terminal; silence otherwise."""
    if not sys.stderr.isatty():
        yield lambda stage: None
        return
    from rich.console import Console

    from pipeline.run import STAGES

    with Console(stderr=True).status("starting") as status:
        yield lambda stage: status.update(f"{stage}{_where(stage, STAGES)}")
