"""How long an audit of many surgeons takes: `python tests/bench/surgeons.py [--surgeons 240] [--cases 25]`.

One invented hospital; each surgeon has equally many cases of five operations, one in ten with a complication, and every
patient is seen after a year. Prints seconds of processor time by stage, with publishing and its parts; `--workspace W` of
that workspace instead, `--warm` of a second run in the same process, without imports.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import shutil
import tempfile
import time
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from volume import CATALOGUE, JOINTS, PROCEDURES

SETTINGS = (
    "contract = 1\nsurgeon_tables = { categories = "
    '["any_complication", "revision"], windows = [90, 365] }\n\n[sites.harbour]\nname = "Harbour Hospital"\n'
)
RECEIPT = Path("received") / "harbour" / "2026-11-03"
FIRST_DAY, LAST_DAY = date(2023, 1, 1), date(2025, 6, 30)
LATELY = np.datetime64("2026-10-10")
#: Parts of publishing told apart, by the function that does them.
PARTS = ("write_tables", "write_report", "write_workbook", "write_manifest", "to_pandas")


def crowd(workspace: Path, surgeons: int, cases: int, seed: int = 7, lately: int = 0) -> Path:
    """A workspace of `surgeons` with `cases` each; `lately` cases have a complication in October 2026."""
    draw = np.random.default_rng(seed)
    rows = surgeons * cases
    number = np.arange(rows)
    kind = draw.integers(0, len(PROCEDURES), rows)
    days = np.datetime64(FIRST_DAY) + draw.integers(0, (LAST_DAY - FIRST_DAY).days, rows)
    patients = [f"P-{one}" for one in number]
    sides = np.array(["left", "right"])[draw.integers(0, 2, rows)]
    tables = {
        "operations": pd.DataFrame(
            {
                "operation_id": [f"O-{one}" for one in number],
                "patient_id": patients,
                "performed_on": days,
                "procedure_code": np.array(PROCEDURES)[kind],
                "side": sides,
                "surgeon_id": [f"S-{one}" for one in number % surgeons],
                "age_years": draw.integers(14, 80, rows),
                "sex": np.array(["female", "male"])[draw.integers(0, 2, rows)],
                "asa_class": draw.integers(1, 4, rows),
            }
        ),
        "followups": pd.DataFrame(
            {
                "followup_id": [f"F-{one}" for one in number],
                "patient_id": patients,
                "seen_on": days + 400,
                "status": "seen",
                "side": sides,
                "joint": np.array(JOINTS)[kind],
            }
        ),
    }
    ill = np.flatnonzero(draw.random(rows) < 0.1)
    happened = days[ill] + 20
    ill, happened = np.r_[ill, number[:lately]], np.r_[happened, np.repeat(LATELY, lately)]
    tables["events"] = pd.DataFrame(
        {
            "event_id": [f"E-{one}" for one in range(len(ill))],
            "patient_id": [patients[one] for one in ill],
            "occurred_on": happened,
            "code": "T81.41XA",
            "code_system": "ICD-10-CM",
            "side": sides[ill],
            "joint": np.array(JOINTS)[kind[ill]],
            "management": "aspiration",
        }
    )
    folder = workspace / RECEIPT
    folder.mkdir(parents=True)
    (workspace / "audit.toml").write_text(SETTINGS)
    (workspace / "catalogue.toml").write_text(CATALOGUE)
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
    return workspace


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--surgeons", type=int, default=240)
    asked.add_argument("--cases", type=int, default=25)
    asked.add_argument(
        "--parts", action="store_true", help="tell parts of publishing apart; all of it then takes longer"
    )
    asked.add_argument("--keep", type=Path, help="write the edition here and leave it")
    asked.add_argument("--workspace", type=Path, help="measure this one instead of an invented one")
    asked.add_argument("--warm", action="store_true", help="measure a second run in the same process")
    given = asked.parse_args()
    place = Path(tempfile.mkdtemp())
    try:
        workspace = given.workspace or crowd(place / "crowd", given.surgeons, given.cases)
        if given.warm:
            seconds_by_stage(workspace, place / "first")
        _measured(workspace, given.keep or place / "out", given.parts)
    finally:
        shutil.rmtree(place)


def _measured(workspace: Path, out: Path, parts: bool) -> None:
    profile = cProfile.Profile()
    if parts:
        profile.enable()
    for stage, seconds in seconds_by_stage(workspace, out).items():
        print(f"{stage:<20}{seconds:8.2f} s")
    profile.disable()
    told = pstats.Stats(profile).stats if parts else {}  # type: ignore[attr-defined]
    for name in PARTS if parts else ():
        print(f"  {name:<18}{sum(each[3] for (_, _, at), each in told.items() if at == name):8.2f} s")


def seconds_by_stage(workspace: Path, out: Path) -> dict[str, float]:
    """Audit a workspace and say how long each stage took, in processor time; a stage may come twice."""
    from pipeline.run import Asked, audited

    begun: list[tuple[str, float]] = []
    audited(Asked(workspace), out, lambda stage: begun.append((stage, time.process_time())))
    begun.append(("", time.process_time()))
    taken: dict[str, float] = {}
    for (stage, start), (_, end) in pairwise(begun):
        taken[stage] = taken.get(stage, 0.0) + end - start
    return taken


if __name__ == "__main__":
    main()
