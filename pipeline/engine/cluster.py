"""The Dask engine: parts are done by the workers of a cluster; data lie on storage they share, and only paths travel.

Every piece is a file in a folder beside the editions, written aside and renamed, so that a task that is done twice, as
after the death of a worker, leaves the same file. Pieces are pickled, as Dask's own messages are: who may speak to the
scheduler, or write into that folder (it is the owner's alone), is trusted as much as the program itself.
"""

from __future__ import annotations

import os
import platform
import secrets
import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from functools import lru_cache
from importlib.metadata import version
from itertools import count
from pathlib import Path
from typing import Any

from pipeline.editions import scratch_beside, sweep
from pipeline.errors import CannotFinish, LimbauditError
from pipeline.file_work import Elsewhere
from pipeline.pieces import fetched, lay
from pipeline.room import Room, room_of

#: Seconds to wait for a scheduler to answer, for its first worker, and for a new one where all have gone.
PATIENCE = 20.0
#: How often a task whose share was away, or whose worker died, is tried again.
RETRIES = 3
#: Parts a worker gets if nobody said how many there are: so many that one slow part does not hold up the rest.
PARTS_A_WORKER = 4
#: So many sums are added up at a time.
FAN_IN = 8
#: What has to be the same on every worker for the same bytes to come of it.
LIBRARIES = ("limbaudit", "numpy", "pandas", "pyarrow")


@contextmanager
def cluster(address: str, parts: int, editions: Path) -> Iterator[Cluster]:
    """Join the cluster at an address, or start one on this machine, and look whether it can do the work.

    Raises:
        CannotFinish: It cannot; nothing was written.
    """
    sweep(editions)
    scratch = scratch_beside(editions)
    with _client(address) as client:
        workers = _workers(client)
        _check_versions(client)
        scratch.mkdir(parents=True, mode=0o700)
        try:
            _check_shared(client, scratch)
            yield Cluster(client, parts or PARTS_A_WORKER * workers, scratch)
        finally:
            shutil.rmtree(scratch, ignore_errors=True)


@contextmanager
def _client(address: str) -> Iterator[Any]:
    import dask
    from distributed import Client

    with dask.config.set({"distributed.diagnostics.nvml": False, "distributed.comm.timeouts.connect": "60s"}):
        if not address:
            with _own_cluster() as own, Client(own) as client:
                yield client
            return
        try:
            client = Client(address, timeout=PATIENCE)
        except (OSError, ValueError) as problem:
            raise CannotFinish(
                f"No Dask scheduler answers at {address} ({problem or type(problem).__name__}). Nothing was written. "
                "Look whether it runs and can be reached from here, or leave --scheduler out for a cluster of this machine."
            ) from None
        with client:
            yield client


@contextmanager
def _own_cluster() -> Iterator[Any]:
    """A worker for each processor this process may use, on loopback alone."""
    from distributed import LocalCluster

    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    try:
        own = LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            silence_logs=50,
        )
    except RuntimeError as problem:
        raise CannotFinish(
            f"No Dask workers could be started on this machine ({problem}). Nothing was written. "
            "Leave --engine out to work without them."
        ) from None
    with own:
        yield own


def _workers(client: Any) -> int:
    """How many workers there are, once there is one."""
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
    except TimeoutError:
        raise CannotFinish(
            f"The Dask scheduler at {_place(client)} has no worker. Nothing was written. Start some with "
            "`dask worker ADDRESS` in an environment in which limbaudit is installed."
        ) from None
    return len(client.scheduler_info(n_workers=-1)["workers"])


def _place(client: Any) -> str:
    return str(client.scheduler.address)


def versions() -> dict[str, str]:
    """Version of the program, of Python, and of every library that results depend on."""
    from importlib.metadata import PackageNotFoundError

    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "missing"
    return found


def _check_versions(client: Any) -> None:
    ours = versions()
    for worker, theirs in sorted(client.run(versions, on_error="return").items()):
        if not isinstance(theirs, dict):
            raise CannotFinish(
                f"The worker at {worker} cannot run limbaudit ({type(theirs).__name__}: {theirs}). Nothing was "
                "written. Install the same version there as here and start the worker again."
            )
        other = [
            f"{name} {theirs[name]} instead of {ours[name]}" for name in ours if theirs[name] != ours[name]
        ]
        if other:
            raise CannotFinish(
                f"The worker at {worker} has {', '.join(other)}. Nothing was written. Install the same versions "
                "on all machines (constraints.txt lists them) and start the worker again."
            )


def _check_shared(client: Any, scratch: Path) -> None:
    """Every worker reads what was written here, and what it writes is seen here."""
    token = secrets.token_hex(16)
    (scratch / "token").write_text(token, "ascii")
    for worker, answer in sorted(client.run(_answered, str(scratch), on_error="return").items()):
        told = answer if isinstance(answer, tuple) else ("", "")
        if told[0] != token or not (scratch / told[1]).is_file():
            why = f" ({type(answer).__name__}: {answer})" if isinstance(answer, Exception) else ""
            raise CannotFinish(
                f"The worker at {worker} does not share {scratch.parent} with this machine{why}. Nothing was written. "
                "Mount the folder under the same path on every worker, for the same user, or name a shared one with --out."
            )


def _answered(scratch: str) -> tuple[str, str]:
    """What a worker reads in the folder, and the name of what it wrote there."""
    name = f"answer-{secrets.token_hex(8)}"
    token = Path(scratch, "token").read_text("ascii")
    Path(scratch, name).write_text(token, "ascii")
    return token, name


class Cluster:
    """The engine. `parts` is how many parts the patients are cut into."""

    def __init__(self, client: Any, parts: int, scratch: Path) -> None:
        self.parts = parts
        self._client = client
        self._scratch = scratch
        self._numbers = count(1)

    def parts_for(self, rows: int) -> int:
        return self.parts

    def for_files(self) -> Elsewhere:
        return Elsewhere(self)

    def room_for(self, rows: int) -> Room:
        return room_of(rows, self._place)

    def held(self, pieces: Iterable[Any]) -> Sequence[Path]:
        return [self._lay(piece) for piece in pieces]

    def _place(self) -> Path:
        """A path in the scratch folder that is not taken."""
        return self._scratch / str(next(self._numbers))

    def _lay(self, value: object) -> Path:
        path = self._place()
        lay(value, path)
        return path

    def each(self, work: Callable[..., Any], shared: object, *pieces: Sequence[Path]) -> Sequence[Path]:
        common = self._lay(shared)
        own_place = self._place()
        places = [own_place.with_name(f"{own_place.name}-{number}") for number in range(len(pieces[0]))]
        tasks = [
            self._client.submit(done_aside, work, str(common), [str(path) for path in own], str(place),
                                key=f"limbaudit-{place}", retries=RETRIES)
            for place, own in zip(places, zip(*pieces, strict=True), strict=True)
        ]  # fmt: skip
        self._until_done(tasks, len(tasks))
        return places

    def total(
        self,
        work: Callable[..., Any],
        added: Callable[[list[Any]], Any],
        shared: object,
        *pieces: Sequence[Path],
    ) -> Any:
        common = self._lay(shared)
        place = self._place()
        level = [
            self._client.submit(done, work, str(common), [str(path) for path in own],
                                key=f"limbaudit-{place}-{number}", retries=RETRIES)
            for number, own in enumerate(zip(*pieces, strict=True))
        ]  # fmt: skip
        tasks = list(level)
        while len(level) > 1:
            place = self._place()
            level = [
                self._client.submit(added, level[start : start + FAN_IN], retries=RETRIES,
                                    key=f"limbaudit-{place}-{start}")
                for start in range(0, len(level), FAN_IN)
            ]  # fmt: skip
            tasks += level
        self._until_done(tasks, len(pieces[0]))
        return added([level[0].result()])

    def all(self, pieces: Sequence[Path]) -> list[Any]:
        return [fetched(str(path)) for path in pieces]

    def _until_done(self, tasks: Sequence[Any], parts: int) -> None:
        """Wait for all, as long as somebody works on them; the first tasks are those of the parts.

        Raises:
            CannotFinish: The scheduler or all workers are gone, or a part failed wherever it was tried.
        """
        from distributed import wait

        alone_since = None
        while any(task.status != "finished" for task in tasks):
            with suppress(TimeoutError, CancelledError):
                wait(list(tasks), timeout=2)
            for number, task in enumerate(tasks, 1):
                if task.status in ("error", "cancelled"):
                    raise self._fault_of(
                        task, f"Part {number} of {parts}" if number <= parts else "A sum of parts"
                    )
            if self._client.status != "running":
                raise self._gone()
            if self._client.scheduler_info(n_workers=1)["workers"]:
                alone_since = None
                continue
            alone_since = alone_since or time.monotonic()
            if time.monotonic() - alone_since > PATIENCE:
                raise CannotFinish(
                    f"All workers of the Dask scheduler at {_place(self._client)} have gone. Nothing was written. "
                    "Start them again, and then the run."
                )

    def _gone(self) -> CannotFinish:
        return CannotFinish(
            f"The Dask scheduler at {_place(self._client)} has gone while the run was at work. Nothing was "
            "written. Start it again, and then the run."
        )

    def _fault_of(self, task: Any, what: str) -> LimbauditError:
        """What to tell of a task that was given up; a result that died with its worker is made again and is no fault."""
        from distributed import KilledWorker

        if task.status != "error":
            return self._gone()
        problem = task.exception()
        if isinstance(problem, KilledWorker):
            return CannotFinish(
                f"{what} ended every worker that tried it, perhaps for want of memory. Nothing was "
                f"written. Give workers more memory, or cut into more parts than {self.parts} with --parts."
            )
        if isinstance(problem, OSError):
            return CannotFinish(
                f"{what} could not be read or written on any worker ({problem}). Nothing was written. "
                "Look whether workspace and editions are there on all machines under the same paths, and have room."
            )
        if isinstance(problem, LimbauditError):
            return problem
        return CannotFinish(
            f"{what} failed wherever it was tried ({type(problem).__name__}). Nothing was written. "
            "This is a fault of the program, or of a worker's installation: the worker's log has the place."
        )


# ---------------------------------------------------------------- what workers do


def done(work: Callable[..., Any], shared: str, pieces: Sequence[str]) -> Any:
    """Work on pieces that lie in files; what comes of it stays with the worker."""
    return work(_common(shared), *(fetched(path) for path in pieces))


def done_aside(work: Callable[..., Any], shared: str, pieces: Sequence[str], place: str) -> None:
    """The same, and what comes of it is laid beside them."""
    lay(done(work, shared, pieces), Path(place))


@lru_cache(maxsize=4)
def _common(path: str) -> Any:
    """What all parts share is read once by each worker."""
    return fetched(path)
