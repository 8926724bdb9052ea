"""DEVELOPERS.md's examples are carried out as they stand: files added, commands run, and what they promise looked up."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
BLOCK = re.compile(r"^```(?P<language>\w+)(?: (?P<file>\S+))?\n(?P<body>.*?)^```$", re.MULTILINE | re.DOTALL)
EXAMPLES = ("Add an operation", "Add a category", "Add a site")


@dataclass(frozen=True)
class Carried:
    """An example carried out: where, and what the last command said."""

    folder: Path
    said: str

    def table(self, name: str) -> Any:
        import pandas as pd

        return pd.read_parquet(next(self.folder.glob(f"editions/*/draft-*/department/tables/{name}.parquet")))

    def listed(self, name: str) -> Any:
        import pandas as pd

        return pd.read_csv(
            next(self.folder.glob(f"editions/*/draft-*/department/{name}.csv")), dtype="string"
        )


def blocks(title: str) -> list[re.Match[str]]:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    section = text.partition(f"\n### {title}\n")[2]
    return list(BLOCK.finditer(re.split(r"^#{1,3} ", section, flags=re.MULTILINE)[0]))


def add(path: Path, body: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    before = path.read_text("utf-8") + "\n" if path.exists() else ""
    path.write_text(before + body, "utf-8")


@pytest.fixture
def carried_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limbaudit: Callable[..., Any]
) -> Callable[[str], Carried]:
    """Carry out the example of a title in an empty folder."""
    shutil.copytree(ROOT / "tests" / "journeys" / "twelve_courses", tmp_path / "audit")
    monkeypatch.chdir(tmp_path)

    def carry_out(title: str) -> Carried:
        said = ""
        for block in blocks(title):
            if block["language"] == "sh":
                said = _commands(block["body"], limbaudit)
            else:
                assert block["file"], f"a block of `{title}` names no file"
                add(tmp_path / "audit" / block["file"], block["body"])
        return Carried(tmp_path, said)

    return carry_out


def _commands(body: str, limbaudit: Callable[..., Any]) -> str:
    said = ""
    for line in body.splitlines():
        program, *arguments = shlex.split(line)
        assert program == "limbaudit"
        finished = limbaudit(*arguments)
        assert finished.exit_code == 0, f"{line}\n{finished.out}\n{finished.err}"
        said = finished.out
    return said


@pytest.mark.parametrize("title", EXAMPLES)
def test_every_example_has_files_and_commands(title: str) -> None:
    languages = [block["language"] for block in blocks(title)]
    assert "toml" in languages
    assert languages[-1] == "sh"


def test_add_an_operation(carried_out: Callable[[str], Carried]) -> None:
    rates = carried_out("Add an operation").table("rates")
    mine = rates[(rates["procedure"] == "groove_deepening") & (rates["stratum"] == "none")]
    whole = mine[(mine["category"] == "any_complication") & (mine["window_days"] == 365)]
    assert list(whole["cases"]) == [1]


def test_add_a_category(carried_out: Callable[[str], Carried]) -> None:
    carried = carried_out("Add a category")
    rates = carried.table("rates")
    mine = rates[(rates["category"] == "numb_skin") & (rates["procedure"] == "ligament_reconstruction")]
    mine = mine[mine["stratum"] == "none"]
    assert [tuple(row) for row in mine[["window_days", "events", "cases"]].to_numpy()] == [(365, 1, 7)]
    whole = rates[
        (rates["category"] == "any_complication") & (rates["procedure"] == "ligament_reconstruction")
    ]
    whole = whole[(whole["stratum"] == "none") & (whole["window_days"] == 365)]
    assert list(whole["events"]) == [5], "four of the twelve courses, and this one"
    assert "E21,P01,2025-09-01,NUMB,local,right,patellofemoral,clinic" in carried.said


def test_add_a_site(carried_out: Callable[[str], Carried]) -> None:
    carried = carried_out("Add a site")
    ledger = carried.listed("ledger")
    row = ledger[ledger["site"] == "lakeside"].iloc[0]
    assert (row["rows_read"], row["accepted"], row["not_selected"]) == ("2", "1", "1")
    import pandas as pd

    cases = pd.read_parquet(next(carried.folder.glob("editions/*/draft-*/department/cases.parquet")))
    assert list(cases.loc[cases["site"] == "lakeside", "case_id"]) == ["lakeside.77.L"]
