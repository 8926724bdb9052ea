"""What whole-path tests share: the command line as a function, workspaces in temporary folders, editions to read."""

from __future__ import annotations

import contextlib
import gc
import io
import os
import shutil
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]


@dataclass(frozen=True)
class Finished:
    """How a command ended and what it said."""

    exit_code: int
    out: str
    err: str

    @property
    def said(self) -> str:
        """Both streams with line breaks as blanks, so that a wrapped sentence can be looked for."""
        return " ".join((self.out + " " + self.err).split())


@dataclass(frozen=True)
class Audit:
    """The one edition under an --out folder."""

    edition: Path
    finished: Finished

    @property
    def department(self) -> Path:
        return self.edition / "department"

    def table(self, name: str) -> Any:
        """A Parquet table of the edition; empty text where text is missing, numbers stay missing."""
        import pandas as pd

        found = [self.department / f"{name}.parquet", self.department / "tables" / f"{name}.parquet"]
        frame = pd.read_parquet(next(path for path in found if path.exists()))
        texts = frame.select_dtypes(include=["object", "string"]).columns
        return frame.fillna(dict.fromkeys(texts, ""))

    def csv(self, name: str) -> Any:
        """A CSV file of the edition, every cell as text."""
        import pandas as pd

        return pd.read_csv(self.department / f"{name}.csv", dtype="string", keep_default_na=False)

    def rates(self, **where: object) -> Any:
        """Rows of `rates` over all strata unless one is named, picked by column."""
        return picked(self.table("rates"), **{"stratum": "none", **where})

    def rate(
        self, procedure: str, category: str, level: str, window_days: int, **where: object
    ) -> dict[str, Any]:
        """The one row of `rates` for these."""
        rows = self.rates(
            procedure=procedure, category=category, level=level, window_days=window_days, **where
        )
        assert len(rows) == 1, (
            f"{len(rows)} rows for {procedure}, {category}, {level}, {window_days}, {where}"
        )
        return dict(rows.iloc[0])


def picked(frame: Any, **where: object) -> Any:
    """Rows of a frame in which every named column has the given value."""
    for column, value in where.items():
        frame = frame[frame[column] == value]
    return frame


#: Tests that make an edition each, or several: a run of everything takes every twentieth of them, others each day, so that
#: each has its turn within twenty days; all are taken where a file is named, and by `THOROUGH=all pytest -n auto`. The end of a
#: run says which were taken, as the number that takes them again: `THOROUGH=7 pytest -n auto`.
SLOW = (
    "disclosure/", "faults/", "journeys/test_changes.py", "journeys/test_decisions_amiss.py",
    "journeys/test_notes_never_count.py", "journeys/test_unsure_records.py",
    "test_access.py::test_every_look", "test_access.py::test_one_group",
    "test_access.py::test_what_is_no_id", "test_bad_input.py",
    "test_damaged_exports.py", "test_outward_of_the_demo.py::test_after_a_year",
    "test_outward_of_the_demo.py::test_nothing_new",
    "test_cluster.py::test_a_cluster_of", "test_cluster.py::test_a_share", "test_cluster.py::test_all_workers",
    "test_cluster.py::test_any_number_of_parts_gives_the_same_tables[1]",
    "test_cluster.py::test_any_number_of_parts_gives_the_same_tables[2]",
    "test_cluster.py::test_any_number_of_parts_gives_the_same_tables[64]", "test_cluster.py::test_any_number_of_workers",
    "test_cluster.py::test_the_nightly", "test_cluster.py::test_the_scheduler",
    "test_kept.py", "test_known_findings.py", "test_map_command.py", "test_nightly.py", "test_odd_departments.py",
    "test_one_file_twice.py", "test_pruning.py", "test_quiet_nights.py", "test_removals.py", "test_review_command.py",
    "test_sheet_command.py", "test_signing.py", "test_stands_already.py",
)  # fmt: skip
EVERY = 20
THOROUGH = "THOROUGH"


def pytest_configure(config: pytest.Config) -> None:
    """Workers are told by the environment which of the slow tests are taken."""
    if not hasattr(config, "workerinput"):
        named = [argument for argument in config.option.file_or_dir if argument]
        os.environ.setdefault(THOROUGH, "all" if named else str(date.today().toordinal() % EVERY))
        os.environ.setdefault("LIMBAUDIT_PROCESSES", "1")  # hundreds of runs need no second process each


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    taken = os.environ[THOROUGH]
    if taken != "all":
        terminalreporter.write_line(f"Of slow tests one in {EVERY}; these again: {THOROUGH}={taken}")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if os.environ[THOROUGH] == "all":
        return
    first = int(os.environ[THOROUGH])
    slow = [item for item in items if f"{_place(item.path)}::{item.name}".startswith(SLOW)]
    left = {id(item) for number, item in enumerate(slow) if number % EVERY != first}
    config.hook.pytest_deselected(items=[item for item in items if id(item) in left])
    items[:] = [item for item in items if id(item) not in left]


def _place(path: Path) -> str:
    tests = ROOT / "tests"
    return path.relative_to(tests).as_posix() if path.is_relative_to(tests) else ""


#: Tests that look at tables and words on the screen alone; their editions are made without pages, handout, workbook and
#: outward edition, which would take most of their time. `test_whole_run.py`, `publish/` and `browser/` look at these.
TABLES_ALONE = (
    "architecture/test_worked_examples.py", "external/", "faults/", "intake/", "journeys/", "letters/", "scorecard/",
    "test_bad_input.py", "test_catalogue.py", "test_code_sides.py", "test_decisions", "test_known.py", "test_ledger.py",
    "test_lost_rows.py", "test_map_command.py", "test_one_file_twice.py", "test_parts.py", "test_people.py",
    "test_periods.py", "test_review_command.py", "test_reviewers.py", "test_scorecard_of_the_demo.py", "test_sites.py",
    "test_standing.py", "test_stands_already.py", "test_summary.py", "test_unsaid.py", "trace/", "validate/",
)  # fmt: skip
EXCEPT = ("journeys/test_lists_of_twelve_courses.py",)
_tables_alone = False


@pytest.fixture(scope="module", autouse=True)
def _how_much_is_written(request: pytest.FixtureRequest) -> Iterator[None]:
    """Whether editions made for this module's tests are whole."""
    global _tables_alone
    path = Path(request.fspath).relative_to(ROOT / "tests").as_posix()
    _tables_alone = path.startswith(TABLES_ALONE) and path not in EXCEPT
    yield
    _tables_alone = False


@contextlib.contextmanager
def _without_print() -> Iterator[None]:
    """Editions hold their tables and nothing that is made of them."""
    from pipeline.publish.outward import Outcome

    def nothing(*_arguments: object, **_named: object) -> None:
        pass

    with pytest.MonkeyPatch.context() as patch:
        for made in ("report.write_report", "workbook.write_workbook", "handout.write_handout"):
            patch.setattr(f"pipeline.publish.{made}", nothing)
        patch.setattr(
            "pipeline.publish.outward.write_outward", lambda *_: Outcome(reason="not made in this test")
        )
        yield


def run_command(*arguments: object, whole: bool = False) -> Finished:
    """Run `limbaudit` inside this process.

    Args:
        whole: Editions are whole, also for tests that look at tables alone.
    """
    from pipeline.cli import main

    out, err = io.StringIO(), io.StringIO()
    code: object = 0
    much = _without_print() if _tables_alone and not whole else contextlib.nullcontext()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), much:
        try:
            main([str(argument) for argument in arguments])
        except SystemExit as ended:
            code = ended.code
    return Finished(code if isinstance(code, int) else int(code is not None), out.getvalue(), err.getvalue())


def audit_of(
    workspace: Path, out: Path, *options: object, expected_exit: int | None = 0, whole: bool = False
) -> Audit:
    """Run the audit and read the edition it left; `expected_exit=None` takes 0 and 1."""
    finished = run_command("run", workspace, "--out", out, *options, whole=whole)
    allowed = (0, 1) if expected_exit is None else (expected_exit,)
    assert finished.exit_code in allowed, f"exit {finished.exit_code}\n{finished.out}\n{finished.err}"
    editions = sorted(out.glob("*/draft-*"))
    assert len(editions) == 1, f"editions under --out: {editions}"
    return Audit(editions[0], finished)


@pytest.fixture(scope="session", autouse=True)
def _own_state(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Caches and settings of the person who runs the tests are neither read nor written."""
    place = tmp_path_factory.mktemp("state")
    before = {
        name: os.environ.get(name) for name in ("LIMBAUDIT_STATE_DIR", "XDG_STATE_HOME", "XDG_CACHE_HOME")
    }
    os.environ.update(dict.fromkeys(before, str(place)))
    yield
    for name, value in before.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value


@pytest.fixture(scope="session", autouse=True)
def _quick() -> Iterator[None]:
    """Disks are not waited for (`tests/chaos` looks at what a lost machine leaves), and litter is looked for less often."""
    before, thresholds = os.fsync, gc.get_threshold()
    os.fsync = lambda _handle: None
    gc.set_threshold(50_000, 20, 50)
    yield
    os.fsync = before
    gc.set_threshold(*thresholds)


@pytest.fixture(scope="session")
def root() -> Path:
    """The project's folder."""
    return ROOT


@pytest.fixture(scope="session")
def icd10cm() -> Any:
    """The package simple-icd-10-cm, which reads its files in a way that Python calls outdated."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        import simple_icd_10_cm
    return simple_icd_10_cm


@pytest.fixture(scope="session")
def limbaudit() -> Callable[..., Finished]:
    """`limbaudit("check", workspace)` → how it ended."""
    return run_command


@pytest.fixture(scope="session")
def audit() -> Callable[..., Audit]:
    """`audit(workspace, out, "--as-of", "2026-11-02")` → the edition written."""
    return audit_of


@pytest.fixture(scope="session")
def sample_exports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo workspace without its editions."""
    place = tmp_path_factory.mktemp("demo") / "sample_exports"
    shutil.copytree(ROOT / "sample_exports", place, ignore=shutil.ignore_patterns("editions"))
    return place


@pytest.fixture(scope="session")
def demo(sample_exports: Path, tmp_path_factory: pytest.TempPathFactory) -> Audit:
    """The demo audited once."""
    return audit_of(sample_exports, tmp_path_factory.mktemp("demo_out"), whole=True)
