"""How long each stage took and how much memory the run needed: for run.json, and for nobody's result."""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from time import perf_counter

from pipeline.memory import given_back

#: Told when a stage begins, with its name.
Listener = Callable[[str], None]


def silent(_stage: str) -> None:
    """Nobody listens."""


@dataclass
class Clock:
    """Seconds of each stage, for run.json; nothing else depends on it. After each, memory no longer used is given back."""

    listener: Listener = silent
    started: str = field(default_factory=lambda: datetime.now(UTC).isoformat(timespec="seconds"))
    seconds: dict[str, float] = field(default_factory=dict)
    _running: list[tuple[str, float]] = field(default_factory=list)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        self.listener(name)
        self._running.append((name, perf_counter()))
        yield
        given_back()
        self._add(self.seconds, *self._running.pop())

    def _until_now(self) -> dict[str, float]:
        """Seconds of all stages, those under way included."""
        seconds = dict(self.seconds)
        for name, begun in self._running:
            self._add(seconds, name, begun)
        return seconds

    @staticmethod
    def _add(seconds: dict[str, float], name: str, begun: float) -> None:
        seconds[name] = round(seconds.get(name, 0.0) + perf_counter() - begun, 3)

    def record(self) -> dict[str, object]:
        return {
            "started": self.started,
            "host": platform.node(),
            "seconds": self._until_now(),
            "peak_mb": _peak_mb(),
        }


def _peak_mb() -> float | None:
    """Most memory the process ever held; not every system says."""
    try:
        import resource
    except ImportError:
        return None
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)
