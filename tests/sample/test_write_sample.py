"""Equal arguments give equal bytes; sizes stay small; the committed demo is what the command writes."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.sample import write_sample

ROOT = Path(__file__).resolve().parents[2]


def contents(folder: Path) -> dict[str, bytes]:
    """Bytes of every file, by path from the folder; editions are not part of a sample."""
    files = (path for path in folder.rglob("*") if path.is_file())
    named = {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}
    return {name: held for name, held in named.items() if not name.startswith("editions/")}


def test_equal_arguments_give_equal_bytes(tmp_path: Path) -> None:
    for run in ("first", "second"):
        write_sample(tmp_path / run / "demo", 120, 11, faults=True)
    assert contents(tmp_path / "first" / "demo") == contents(tmp_path / "second" / "demo")


def test_another_seed_tells_another_story(tmp_path: Path) -> None:
    for seed in (1, 2):
        write_sample(tmp_path / str(seed), 60, seed, faults=False)
    one, other = (contents(tmp_path / str(seed))["truth/cases.csv"] for seed in (1, 2))
    assert one != other


@pytest.mark.parametrize("cases", [1, 2, 7, 40])
def test_a_few_cases_are_enough(tmp_path: Path, cases: int) -> None:
    write_sample(tmp_path / "demo", cases, 5, faults=True)
    truth = (tmp_path / "demo" / "truth" / "cases.csv").read_text(encoding="utf-8")
    assert len(truth.splitlines()) == cases + 1


def test_no_case_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="cases is 0"):
        write_sample(tmp_path / "demo", 0, 1, faults=False)


def test_the_committed_demo_is_what_the_command_writes(faulty: Path) -> None:
    assert contents(ROOT / "sample_exports") == contents(faulty)


def test_the_demo_stays_small(faulty: Path) -> None:
    assert sum(map(len, contents(faulty).values())) < 3_000_000


def test_the_day_and_the_machine_leave_no_trace(faulty: Path) -> None:
    workbook = next((faulty / "received" / "northgate").rglob("*.xlsx")).read_bytes()
    assert workbook.startswith(b"PK")
    assert str(Path.home()).encode() not in b"".join(contents(faulty).values())
