"""`python tests/chaos [--kills 200] [--only NAME] [--short]`: disturb the program, and see that what stands is always whole."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from killing import killed
from printing import without_print
from scenarios import SCENARIOS, Skipped


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=200)
    asked.add_argument("--only", default="", help="one scenario by name, or `kills`")
    asked.add_argument("--short", action="store_true", help="the quick scenarios, for every change")
    asked.add_argument("--workers", type=int, default=2)
    given = asked.parse_args()
    without_print()
    bad = 0
    print(f"{'scenario':58} {'times':>5} {'killed':>6} {'amiss':>5} {'s':>5}")
    if given.only in ("", "kills") and given.kills:
        bad += _kills(given.kills, given.workers)
    for name, (scenario, quick) in SCENARIOS.items():
        if given.only in ("", name) and (quick or not given.short):
            bad += _scenario(name, scenario)
    print("Nothing was left amiss." if not bad else f"{bad} left something amiss.")
    return 1 if bad else 0


def _kills(number: int, workers: int) -> int:
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        told = killed(number, Path(folder), workers)
    seconds = time.monotonic() - begun
    for where, times, died, wrong in told:
        print(f"{where:58} {times:5} {died:6} {len(wrong):5}")
        for each in wrong:
            print(f"    {each}")
    died = sum(each[2] for each in told)
    wrong = sum(len(each[3]) for each in told)
    print(f"{'all kills':58} {sum(each[1] for each in told):5} {died:6} {wrong:5} {seconds:5.0f}", flush=True)
    return wrong


def _scenario(name: str, scenario) -> int:
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        try:
            times, wrong = scenario(Path(folder))
        except Skipped as reason:
            print(f"{name:58} skipped: {reason}")
            return 0
    print(f"{name:58} {times:5} {'':6} {len(wrong):5} {time.monotonic() - begun:5.0f}", flush=True)
    for each in wrong:
        print(f"    {each}")
    return len(wrong)


if __name__ == "__main__":
    sys.exit(main())
