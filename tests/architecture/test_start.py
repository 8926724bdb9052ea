"""The command line answers at once: nothing heavy is imported before a command needs it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = (
    "pandas",
    "pandera",
    "pyarrow",
    "scipy",
    "statsmodels",
    "great_tables",
    "matplotlib",
    "prefect",
    "dask",
)
ASK = f"""
import sys
from pipeline.cli import main
try:
    main({{arguments}})
except SystemExit as ended:
    assert not ended.code, ended.code
print("LOADED", *sorted(set(sys.modules) & set({HEAVY})))
"""


@pytest.mark.parametrize(
    "arguments", [["--help"], ["run", "--help"], ["check", "--help"], ["map", "--help"]], ids=" ".join
)
def test_help_imports_nothing_heavy(arguments: list[str], tmp_path: Path) -> None:
    asked = ASK.replace("{arguments}", repr(arguments))
    told = subprocess.run(
        [sys.executable, "-c", asked], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert told.returncode == 0, told.stderr
    assert told.stdout.splitlines()[-1].split() == ["LOADED"]


def test_the_program_starts_as_a_module(tmp_path: Path) -> None:
    told = subprocess.run([sys.executable, "-m", "pipeline", "--help"], cwd=tmp_path, capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert told.returncode == 0, told.stderr
    assert "run" in told.stdout
