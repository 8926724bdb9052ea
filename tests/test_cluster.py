"""The Dask engine: the same bytes for any number of parts and workers, a killed worker, and what may be wrong with a cluster."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import pandas as pd
import pytest

from pipeline.audit import Analysed, analysed
from pipeline.clock import Clock
from pipeline.editions import BUILDING
from pipeline.engine import HERE, engine_for
from pipeline.errors import CannotFinish, WrongUse
from pipeline.nightly import Place, task_done
from pipeline.run import Accounted, Asked, accounted, audited, ground_of
from pipeline.unattended.due import MONTHLY, Task

pytest.importorskip("distributed", reason="Dask is an extra of its own")
ROOT = Path(__file__).parents[1]
WORKSPACE = ROOT / "tests" / "journeys" / "twelve_courses"
TABLES = ("rates", "cohorts", "event_free", "comparisons", "baseline")


# ---------------------------------------------------------------- a cluster of processes


@dataclass
class Machines:
    """A scheduler and workers, each a process of its own that a test may kill."""

    address: str
    scheduler: subprocess.Popen[bytes]
    folder: Path
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def add(self, **environment: str) -> subprocess.Popen[bytes]:
        command = [
            "-m",
            "distributed.cli.dask_worker",
            self.address,
            "--nthreads=1",
            "--no-nanny",
            "--no-dashboard",
        ]
        place = self.folder / f"worker-{len(self.workers)}"
        own = _started([*command, "--local-directory", str(place)], **environment)
        self.workers.append(own)
        return own

    def end(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


def _started(command: list[str], **environment: str) -> subprocess.Popen[bytes]:
    own = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    return subprocess.Popen(
        [sys.executable, *command], env=own, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def started(folder: Path) -> Machines:
    port = _free_port()
    command = ["-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]  # fmt: skip
    scheduler = _started(command)
    until = monotonic() + 60
    while monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
            break
        sleep(0.1)
    return Machines(f"tcp://127.0.0.1:{port}", scheduler, folder)


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    """Four workers that nobody kills."""
    found = started(tmp_path_factory.mktemp("workers"))
    for _ in range(4):
        found.add()
    yield found
    found.end()


@pytest.fixture
def mortal(tmp_path: Path) -> Iterator[Machines]:
    """A scheduler alone; a test adds workers and ends whom it likes."""
    found = started(tmp_path)
    yield found
    found.end()


@pytest.fixture(autouse=True)
def _loud_libraries() -> Iterator[None]:
    """Dask leaves sockets to the collector when a scheduler dies; that is no fault of ours."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        yield


# ---------------------------------------------------------------- equality


@pytest.fixture(scope="module")
def rows() -> Accounted:
    return accounted(ground_of(Asked(WORKSPACE)), Clock())


@pytest.fixture(scope="module")
def here(rows: Accounted) -> Analysed:
    return analysed(rows, Clock())


def by(engine: Any, rows: Accounted) -> Analysed:
    asked = replace(rows.ground.asked, engine=engine)
    return analysed(replace(rows, ground=replace(rows.ground, asked=asked)), Clock())


@pytest.mark.parametrize("parts", [1, 2, 7, 64])
def test_any_number_of_parts_gives_the_same_tables(
    machines: Machines, rows: Accounted, here: Analysed, tmp_path: Path, parts: int
) -> None:
    with engine_for("dask", machines.address, parts, tmp_path) as engine:
        assert engine.parts == parts
        there = by(engine, rows)
    for name in TABLES:
        assert len(getattr(here, name)) > 0
        pd.testing.assert_frame_equal(getattr(there, name), getattr(here, name))
    for name, table in here.by_risk.items():
        pd.testing.assert_frame_equal(there.by_risk[name], table)
    for name, table in here.beside.items():
        pd.testing.assert_frame_equal(there.beside[name], table)
    pd.testing.assert_frame_equal(there.whole.complications, here.whole.complications, check_dtype=False)


def edition_bytes(place: Path) -> dict[str, bytes]:
    return {
        path.relative_to(place).as_posix(): path.read_bytes()
        for path in sorted(place.rglob("*"))
        if path.is_file() and path.name != "run.json"
    }


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The edition made in one process."""
    return edition_bytes(audited(Asked(WORKSPACE), tmp_path_factory.mktemp("here")).place)


@pytest.mark.parametrize("workers", [1, 3])
def test_any_number_of_workers_gives_the_same_edition(
    mortal: Machines, undisturbed: dict[str, bytes], tmp_path: Path, workers: int
) -> None:
    for _ in range(workers):
        mortal.add()
    editions = tmp_path / "editions"
    with engine_for("dask", mortal.address, 5, editions) as engine:
        place = audited(Asked(WORKSPACE, engine=engine), editions).place
    assert edition_bytes(place) == undisturbed
    assert [path.name for path in editions.glob(f"{BUILDING}*")] == []


def test_a_cluster_of_this_machine_is_started_where_no_address_is_given(
    limbaudit: Callable[..., Any], undisturbed: dict[str, bytes], tmp_path: Path
) -> None:
    finished = limbaudit("run", WORKSPACE, "--out", tmp_path / "out", "--engine", "dask")
    assert finished.exit_code == 0, finished.said
    (place,) = (tmp_path / "out").glob("*/draft-*")
    assert edition_bytes(place) == undisturbed


def test_the_nightly_work_goes_to_a_cluster_too(
    machines: Machines, undisturbed: dict[str, bytes], tmp_path: Path
) -> None:
    """The edition that falls due on the day of the newest receipt is the one that `run` makes by default."""
    place = Place.of(WORKSPACE, tmp_path / "editions", tmp_path / "state", "dask", machines.address)
    asked = ground_of(Asked(WORKSPACE))
    at = datetime.combine(asked.as_of, time(6), UTC)
    done = task_done(Task(at, MONTHLY, asked.period.name), place)
    assert done.exit_code == 0, done.words
    assert edition_bytes(tmp_path / "editions" / done.edition) == undisturbed


def test_a_killed_worker_loses_nothing(
    mortal: Machines, undisturbed: dict[str, bytes], tmp_path: Path
) -> None:
    doomed = mortal.add()
    mortal.add()
    killed = []

    def kill(stage: str) -> None:
        """At the first stage that works on parts, and once more in the middle of the next."""
        if stage == "classify" and not killed:
            killed.append(doomed.pid)
            os.kill(doomed.pid, signal.SIGKILL)

    with engine_for("dask", mortal.address, 7, tmp_path / "editions") as engine:
        engine._client.wait_for_workers(2, timeout=60)  # type: ignore[attr-defined]
        place = audited(Asked(WORKSPACE, engine=engine), tmp_path / "editions", kill).place
    assert killed == [doomed.pid]
    assert doomed.wait() == -signal.SIGKILL
    assert edition_bytes(place) == undisturbed


# ---------------------------------------------------------------- what may be wrong


def test_nobody_at_the_address(limbaudit: Callable[..., Any], tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setattr("pipeline.engine.cluster.PATIENCE", 1.0)
    address = f"tcp://127.0.0.1:{_free_port()}"
    finished = limbaudit(
        "run", WORKSPACE, "--out", tmp_path / "out", "--engine", "dask", "--scheduler", address
    )
    assert finished.exit_code == 3
    assert f"No Dask scheduler answers at {address}" in finished.said
    assert "Nothing was written" in finished.said
    assert not (tmp_path / "out").exists()


def test_no_address_at_all(limbaudit: Callable[..., Any], tmp_path: Path) -> None:
    finished = limbaudit(
        "run", WORKSPACE, "--out", tmp_path / "out", "--engine", "dask", "--scheduler", "the cluster"
    )
    assert finished.exit_code == 3
    assert "No Dask scheduler answers at the cluster" in finished.said


def test_an_address_needs_the_engine(limbaudit: Callable[..., Any], tmp_path: Path) -> None:
    finished = limbaudit("run", WORKSPACE, "--out", tmp_path / "out", "--scheduler", "tcp://127.0.0.1:8786")
    assert finished.exit_code == 2
    assert "--engine dask" in finished.said


def test_dask_is_not_installed(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(WrongUse, match="limbaudit\\[dask\\]"), engine_for("dask", "", 0, tmp_path):
        pass


def test_a_scheduler_without_workers(mortal: Machines, tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setattr("pipeline.engine.cluster.PATIENCE", 2.0)
    with (
        pytest.raises(CannotFinish, match="has no worker"),
        engine_for("dask", mortal.address, 0, tmp_path),
    ):
        pass


def test_workers_of_another_version(machines: Machines, tmp_path: Path, monkeypatch: Any) -> None:
    """To the workers it is this machine that differs; the message is the same."""
    monkeypatch.setattr("pipeline.engine.cluster.version", lambda name: "99.0")
    with (
        pytest.raises(CannotFinish, match=r"has limbaudit .* instead of 99\.0"),
        engine_for("dask", machines.address, 0, tmp_path),
    ):
        pass
    assert list(tmp_path.glob(f"{BUILDING}*")) == []


def test_storage_that_is_not_shared(machines: Machines, tmp_path: Path, monkeypatch: Any) -> None:
    """A worker that finds another file where ours should be."""
    from pipeline.engine import cluster

    written = cluster.secrets.token_hex

    def other(size: int) -> str:
        """What is looked for is not what was written."""
        return _Unequal(written(size)) if size == 16 else written(size)

    monkeypatch.setattr(cluster.secrets, "token_hex", other)
    with (
        pytest.raises(CannotFinish, match="does not share"),
        engine_for("dask", machines.address, 0, tmp_path),
    ):
        pass
    assert list(tmp_path.glob(f"{BUILDING}*")) == []


class _Unequal(str):
    """A text that equals no other."""

    __slots__ = ()
    __hash__ = str.__hash__

    def __eq__(self, other: object) -> bool:
        return False

    def __ne__(self, other: object) -> bool:
        return True


def test_a_part_that_ends_every_worker(mortal: Machines, tmp_path: Path) -> None:
    for _ in range(5):
        mortal.add()

    def fatal(_shared: object, piece: int) -> int:
        if piece == 1:
            os._exit(9)
        return piece

    with engine_for("dask", mortal.address, 3, tmp_path) as engine:
        engine._client.wait_for_workers(5, timeout=60)  # type: ignore[attr-defined]
        held = engine.held([0, 1, 2])
        with pytest.raises(CannotFinish, match="Part 2 of 3 ended every worker that tried it"):
            engine.each(fatal, None, held)


def test_a_part_that_fails_on_every_worker(machines: Machines, tmp_path: Path) -> None:
    def amiss(_shared: object, piece: int) -> float:
        return 1 / piece

    with engine_for("dask", machines.address, 2, tmp_path) as engine:
        held = engine.held([1, 0])
        with pytest.raises(
            CannotFinish, match=r"Part 2 of 2 failed wherever it was tried.*ZeroDivisionError"
        ):
            engine.total(amiss, sum, None, held)


def test_a_share_that_has_gone(machines: Machines, tmp_path: Path) -> None:
    with engine_for("dask", machines.address, 2, tmp_path) as engine:
        held = engine.held([1, 2])
        held[1].unlink()
        with pytest.raises(CannotFinish, match="Part 2 of 2 could not be read or written on any worker"):
            engine.each(lambda _shared, piece: piece, None, held)


def test_all_workers_gone(mortal: Machines, tmp_path: Path, monkeypatch: Any) -> None:
    mortal.add()
    with engine_for("dask", mortal.address, 2, tmp_path) as engine:
        held = engine.held([1, 2])
        monkeypatch.setattr("pipeline.engine.cluster.PATIENCE", 1.0)
        mortal.workers[0].kill()
        with pytest.raises(CannotFinish, match=r"All workers .* have gone"):
            engine.each(lambda _shared, piece: piece, None, held)


def test_the_scheduler_gone(mortal: Machines, tmp_path: Path) -> None:
    mortal.add()
    with engine_for("dask", mortal.address, 2, tmp_path) as engine:
        held = engine.held([1, 2])
        mortal.scheduler.kill()
        mortal.scheduler.wait()
        with pytest.raises(CannotFinish, match="has gone while the run was at work"):
            engine.each(lambda _shared, piece: piece, None, held)


def test_sums_are_added_up_on_the_way(machines: Machines, tmp_path: Path) -> None:
    """Of 100 parts no more than one sum comes back, whatever the shape of the tree: 0 + 1 + … + 99 = 4,950."""
    with engine_for("dask", machines.address, 100, tmp_path) as engine:
        held = engine.held(range(100))
        assert engine.total(lambda _shared, piece: piece, sum, None, held) == 4950
        assert engine.all(engine.each(lambda more, piece: piece + more, 1000, held)) == list(
            range(1000, 1100)
        )
    assert HERE.total(lambda _shared, piece: piece, sum, None, list(range(100))) == 4950


# ---------------------------------------------------------------- files read and checked by workers


def test_files_are_read_and_checked_by_workers_as_here(machines: Machines, tmp_path: Path) -> None:
    """Every accepted and held-back cell, every finding and ledger line, of files of all kinds."""
    place = tmp_path / "audit"
    shutil.copytree(WORKSPACE, place)
    receipt = place / "received" / "harbour" / "2026-11-02"
    (receipt / "nobody_knows_this.csv").write_text("a,b\n1,2\n")
    header, first, second = (receipt / "events.csv").read_text("utf-8").splitlines()[:3]
    faulty = re.sub(r"\d{4}-\d{2}-\d{2}", "2025-13-45", first)
    (receipt / "events_2.csv").write_text(f"{header}\n{faulty}\n{second}\n", "utf-8")
    expected = accounted(ground_of(Asked(place)), Clock())
    with engine_for("dask", machines.address, 3, tmp_path / "editions") as engine:
        found = accounted(ground_of(Asked(place, engine=engine)), Clock())
    assert len(found.validated.quarantined["events"]) == 1
    assert {"file_unmapped", "value_unparsable"} <= set(found.findings["rule"])
    for part in ("accepted", "quarantined"):
        ours, theirs = (_tables(each, part) for each in (expected, found))
        assert [name for name in ours if not ours[name].equals(theirs[name])] == []
    for frame in ("ledger", "findings"):
        pd.testing.assert_frame_equal(getattr(found, frame), getattr(expected, frame))
    assert found.intake.sources == expected.intake.sources


def _tables(rows: Accounted, part: str) -> dict[str, Any]:
    validated = rows.validated
    return validated.accepted.tables if part == "accepted" else validated.quarantined


def test_a_file_that_is_another_on_the_worker(machines: Machines, tmp_path: Path) -> None:
    """What a worker cannot see must not pass for a file that nobody could read."""
    from pipeline.file_work import file_received
    from pipeline.intake.arrivals import arrivals

    arrival = arrivals(WORKSPACE, date(2026, 12, 1)).files[0]
    for path, size in ((arrival.path, 1), (tmp_path / "not_there.csv", 1)):
        with engine_for("dask", machines.address, 1, tmp_path / "editions") as engine:
            held = engine.held([(replace(arrival, path=path), size)])
            with pytest.raises(CannotFinish, match="could not be read or written on any worker"):
                engine.each(file_received, None, held)
