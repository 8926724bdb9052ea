"""What Windows lacks is not needed: `check`, `run` and `nightly` where its missing modules and functions are missing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
COURSES = Path(__file__).parent / "journeys" / "twelve_courses"
#: Modules and functions that only POSIX systems have are taken away, and times come from the package `tzdata`.
WITHOUT = """
import os, sys, warnings, zoneinfo
for name in ("fcntl", "grp", "pwd", "resource", "termios"):
    sys.modules[name] = None
for name in ("chown", "fork", "getuid", "geteuid", "getgid", "getegid", "symlink", "O_DIRECTORY"):
    if hasattr(os, name):
        delattr(os, name)
zoneinfo.reset_tzpath(())
warnings.filterwarnings("ignore", message="only soft file lock is available")
"""
COMMAND = f"{WITHOUT}\nfrom pipeline.cli import main\nmain(sys.argv[1:])"
IMPORTS = f"{WITHOUT}\nimport importlib\nfor name in sys.argv[1:]:\n    importlib.import_module(name)"
FORBIDDEN = set('<>:"|?*\\\\')


def plain(code: str, folder: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "LIMBAUDIT_STATE_DIR": str(folder / "state")}
    command = [sys.executable, "-c", code, *(str(argument) for argument in arguments)]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


def modules() -> list[str]:
    """Every module of ours but the scheduler's flows, which need Prefect."""
    files = [path for top in ("pipeline", "schemas") for path in (ROOT / top).rglob("*.py")]
    names = [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in sorted(files)]
    return [
        name.removesuffix(".__init__")
        for name in names
        if not name.endswith((".flows", "engine", "__main__"))
    ]


def test_every_module_can_be_imported(tmp_path: Path) -> None:
    assert len(modules()) > 100
    done = plain(IMPORTS, tmp_path, *modules())
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.slow
def test_check_run_and_nightly_work_and_name_files_as_windows_can(tmp_path: Path) -> None:
    shutil.copytree(COURSES, tmp_path / "audit")
    for command in (("check",), ("run",), ("nightly", "--out", tmp_path / "nights")):
        done = plain(COMMAND, tmp_path, command[0], tmp_path / "audit", *command[1:])
        assert done.returncode == 0, done.stderr
    written = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert {path.name for path in written} >= {"ledger.csv", "nights.json", "access.log", "handout.pdf"}
    assert [
        path.name for path in written if FORBIDDEN & set(path.name) or path.name.endswith((".", " "))
    ] == []
    ledger = next(path for path in written if path.name == "ledger.csv").read_text("utf-8")
    assert "received/harbour/" in ledger
    assert "\\" not in ledger
