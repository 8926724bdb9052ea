"""Where the work on the parts of the patients is done: in this process, or by the workers of a Dask cluster.

A part is all about some patients, cut by a fixed hash (`pipeline.parts`). What is done with one needs no other, so an
engine may do it anywhere and in any order; the results are equal to the byte. An engine hands out *held* pieces: values
that may lie elsewhere, one a part, always in the order of parts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from shutil import rmtree
from typing import TYPE_CHECKING, Any, Protocol

from pipeline.memory import given_back
from pipeline.room import InFiles, Room, in_memory, room_of
from pipeline.side_by_side import FEWEST_ROWS, in_order, threads

if TYPE_CHECKING:
    from pipeline.file_work import Elsewhere

LOCAL, DASK = "local", "dask"
ENGINES = (LOCAL, DASK)
#: Operations from which parts lie in files, and how many then make a part.
MANY_ROWS, ROWS_A_PART = 500_000, 250_000
#: So many sums of parts are added up at a time.
ADDED_AT_A_TIME = 8
#: Work on one part: what all parts share comes first, then one piece of each held sequence.
Work = Callable[..., Any]


class Engine(Protocol):
    """How parts are worked on."""

    def parts_for(self, rows: int) -> int:
        """Into how many the patients of so many rows are cut."""

    def for_files(self) -> Elsewhere | None:
        """What reads and checks received files, if that is not done in this process."""

    def room_for(self, rows: int) -> Room:
        """Where so many rows are kept: in files where memory counts and there is room for them."""

    def held(self, pieces: Iterable[Any]) -> Sequence[Any]:
        """Lay pieces where the workers find them."""

    def each(self, work: Work, shared: object, *pieces: Sequence[Any]) -> Sequence[Any]:
        """Do `work(shared, *pieces of one part)` for every part; what comes of it is held."""

    def total(
        self, work: Work, added: Callable[[list[Any]], Any], shared: object, *pieces: Sequence[Any]
    ) -> Any:
        """Do the same and add up what comes of it; `added` of sums is the sum of all, whatever the order."""

    def all(self, pieces: Sequence[Any]) -> list[Any]:
        """The held values themselves."""


@dataclass(unsafe_hash=True)
class Local:
    """In this process, parts side by side.

    Attributes:
        parts: How many there are; 0: as many as processors, where there are rows enough for it.
    """

    parts: int = 0

    def parts_for(self, rows: int) -> int:
        return self.parts or (threads() if rows >= FEWEST_ROWS else 1)

    def for_files(self) -> None:
        return None

    def room_for(self, rows: int) -> Room:
        return in_memory(rows)

    def held(self, pieces: Iterable[Any]) -> Sequence[Any]:
        return list(pieces)

    def each(self, work: Work, shared: object, *pieces: Sequence[Any]) -> Sequence[Any]:
        return in_order(lambda own: work(shared, *own), list(zip(*pieces, strict=True)), FEWEST_ROWS)

    def total(
        self, work: Work, added: Callable[[list[Any]], Any], shared: object, *pieces: Sequence[Any]
    ) -> Any:
        return added(list(self.each(work, shared, *pieces)))

    def all(self, pieces: Sequence[Any]) -> list[Any]:
        return list(pieces)


class Spilling(Local):
    """The same with room beside the editions: where there are more parts than are worked on at a time, and where operations
    are so many that memory counts more than time, what comes of a part lies in files until it is asked for.
    """

    def __init__(self, parts: int, scratch: Path) -> None:
        super().__init__(parts)
        self._scratch = scratch
        self._laid = count(1)
        self._spills = False

    def parts_for(self, rows: int) -> int:
        parts = self.parts or (-(-rows // ROWS_A_PART) if rows >= MANY_ROWS else super().parts_for(rows))
        self._spills = parts > threads() or rows >= MANY_ROWS
        return parts

    def room_for(self, rows: int) -> Room:
        return room_of(rows, self._place)

    def held(self, pieces: Iterable[Any]) -> Sequence[Any]:
        return [self._put(piece) for piece in pieces]

    def each(self, work: Work, shared: object, *pieces: Sequence[Any]) -> Sequence[Any]:
        laid = super().each(lambda rules, *own: self._put(work(rules, *own)), shared, *pieces)
        given_back()
        return laid

    def total(
        self, work: Work, added: Callable[[list[Any]], Any], shared: object, *pieces: Sequence[Any]
    ) -> Any:
        """Sums of a few parts at a time, so that those of all never lie side by side."""
        own = list(zip(*pieces, strict=True))
        sums: list[Any] = []
        for start in range(0, len(own), ADDED_AT_A_TIME):
            few = own[start : start + ADDED_AT_A_TIME]
            sums = [added([*sums, *super().each(work, shared, *zip(*few, strict=True))])]
        return sums[0]

    def _put(self, piece: Any) -> Any:
        return InFiles(self._place).value(piece) if self._spills else piece

    def _place(self) -> Path:
        """A path in the scratch folder that is not taken."""
        self._scratch.mkdir(mode=0o700, parents=True, exist_ok=True)
        return self._scratch / str(next(self._laid))


#: The engine of whoever did not ask for one.
HERE = Local()


@contextmanager
def engine_for(name: str, address: str, parts: int, editions: Path) -> Iterator[Engine]:
    """The engine asked for, for as long as the block runs.

    Args:
        name: One of `ENGINES`.
        address: Of a Dask scheduler, as `tcp://host:8786`; empty: a cluster of this machine's own, ended with the block.
        parts: Into how many parts patients are cut; 0 lets the engine choose.
        editions: Folder of the editions. A cluster's workers must see it under the same path: data lie there, and
            only paths travel.

    Raises:
        WrongUse: An address for an engine that has none, or Dask is not installed.
        CannotFinish: No scheduler there, no workers, workers of another version, or storage that is not shared.
    """
    from pipeline.errors import WrongUse

    if name == LOCAL:
        if address:
            raise WrongUse("--scheduler names a Dask scheduler: say --engine dask with it, or leave it out.")
        from pipeline.editions import scratch_beside

        scratch = scratch_beside(editions)
        try:
            yield Spilling(parts, scratch)
        finally:
            if scratch.exists():
                rmtree(scratch, ignore_errors=True)
        return
    try:
        import distributed  # noqa: F401
    except ImportError as missing:
        raise WrongUse(
            f"--engine dask needs Dask, which is not installed ({missing.name}). `pip install 'limbaudit[dask]'` adds it."
        ) from None
    from pipeline.engine.cluster import cluster

    with cluster(address, parts, editions) as found:
        yield found
