"""`python tests/bench/nights.py WORKSPACE`: what a night costs beyond the start of the program, cold and where little came.

Prints processor seconds: a first night; a night on which nothing came; one on which an empty list of changes came.
The workspace is copied; its first site's newest receipt gives the header.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path, nargs="?", default=ROOT / "sample_exports")
    asked.add_argument("--json", action="store_true", help="print the three numbers alone")
    given = asked.parse_args()
    cold, quiet, little = three_nights(given.workspace)
    if given.json:
        print(json.dumps([cold, quiet, little]))
        return 0
    print(f"first night {cold:.2f} s, nothing came {quiet:.2f} s = {quiet / cold:.1%}, "
          f"one small file came {little:.2f} s = {little / cold:.1%}")  # fmt: skip
    return 0


def three_nights(workspace: Path) -> tuple[float, float, float]:
    """Processor seconds of a first night, one on which nothing came, and one on which one small file came."""
    with tempfile.TemporaryDirectory() as scratch:
        work = Path(scratch) / "audit"
        shutil.copytree(workspace, work, ignore=shutil.ignore_patterns("editions"))
        first = max(date.fromisoformat(path.name) for path in work.glob("received/*/*") if path.is_dir())
        cold = _night(work, Path(scratch), first + timedelta(days=20))
        quiet = _night(work, Path(scratch), first + timedelta(days=21))
        _something_came(work, first + timedelta(days=22))
        little = _night(work, Path(scratch), first + timedelta(days=22))
    return cold, quiet, little


def _night(work: Path, scratch: Path, day: date) -> float:
    import pandera.pandas  # noqa: F401  what every start of the program pays for
    import pyarrow.compute  # noqa: F401

    from pipeline.catalogue_reading import _built_in
    from pipeline.quiet_nights import checked_tonight
    from pipeline.run import Asked
    from pipeline.shelf import program_fingerprint

    for kept_in_memory in (_built_in, program_fingerprint):
        kept_in_memory.cache_clear()  # each night is a process of its own
    begun = time.process_time()
    checked_tonight(Asked(work, as_of=day, kept=scratch / "kept"), scratch / "checks")
    return time.process_time() - begun


def _something_came(work: Path, day: date) -> None:
    """The header of a file of events alone: no changes."""
    sent = max(work.glob("received/*/*/events*.csv"), key=lambda path: path.parent.name)
    folder = sent.parents[1] / day.isoformat()
    folder.mkdir()
    (folder / sent.name).write_bytes(sent.read_bytes().splitlines(keepends=True)[0])


if __name__ == "__main__":
    sys.exit(main())
