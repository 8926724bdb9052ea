"""What stands on disk after a night, read with plain tools, against what should stand there."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
from department import NAMES
from expected import WINDOWS, Figures, Known, Reason

FATES = (
    "accepted", "quarantined", "superseded", "duplicate", "withdrawn", "non_data", "not_selected", "refused", "removed",
)  # fmt: skip
#: How a sentence of a run begins or ends → what it says, in the words of `expected`.
SENTENCES = (
    (r"(\S+) is late: ", "late"),
    (r"(\S+) has sent no usable export of ", "incomplete"),
    (r"(\S+): too many rows of (\S+) are held back", "held"),
    (r"(\S+) has a folder but is not in audit.toml", "unlisted"),
    (r"(\S+) is not used: ", "unused"),
)
#: Main levels, of which alone it is told what moved them; of other categories it is `any`.
MAIN = {"stiffness": "persistent", "instability": "primary", "revision": "any_return"}
#: Files that look back to signed editions, or say what they were made from.
LOOK_BACK = re.compile(r"changes|changed_figures|outward|manifest|report/|handout|workbook|run\.json")


def reasons(sentences: tuple[str, ...]) -> set[Reason]:
    """What the sentences of a run say, in the words of `expected`; what is not known there is kept as it is."""
    return {_reason(sentence) for sentence in sentences}


def _reason(sentence: str) -> Reason:
    for pattern, word in SENTENCES:
        if found := re.match(pattern, sentence):
            return (word, *found.groups())
    return ("other", sentence)


def ledger_amiss(path: Path, known: Known) -> Iterator[str]:
    """Every file received once, with its rows, which add up; and each row has become what it should."""
    with path.open(encoding="utf-8", newline="") as text:
        lines = list(csv.DictReader(text))
    if sorted(line["source_file"] for line in lines) != sorted(known.lines):
        found = Counter(line["source_file"] for line in lines)
        found.subtract(known.lines.keys())
        yield f"{path}: files that are not in it once: {[name for name, n in found.items() if n]}"
    for line in lines:
        read, fates = int(line["rows_read"]), Counter({fate: int(line[fate]) for fate in FATES})
        if read != sum(fates.values()):
            yield f"{path}: {line['source_file']}: {read} rows read, {sum(fates.values())} accounted for"
        wanted = known.lines.get(line["source_file"])
        if wanted and (read != wanted.rows_read or +fates != +wanted.fates):
            told = f"{read} {dict(+fates)} {line['reason']}"
            yield f"{path}: {line['source_file']}: {told}, expected {wanted.rows_read} {dict(+wanted.fates)}"


def figures(edition: Path) -> Figures:
    """What an edition counts."""
    cases = pq.read_table(edition / "department" / "cases.parquet").to_pylist()
    complications = pq.read_table(edition / "department" / "complications.parquet").to_pylist()
    counted = Counter((row["category"], row["level"]) for row in complications if row["status"] == "counted")
    return Figures(
        cases=len(cases),
        returns=counted["revision", "any_return"],
        infections=counted["infection", "any"],
        died=sum(row["died"] is not None for row in cases),
        windows=dict(_windows(edition)),
    )


def _windows(edition: Path) -> Iterator[tuple[int, tuple[int, int]]]:
    of = {
        key[3]: row for key, row in overall(edition).items() if key[:3] == ("all", "revision", "any_return")
    }
    for days, _ in WINDOWS:
        row = of.get(str(days), {"cases": "0", "events": "0"})
        yield days, (int(row["cases"]), int(row["events"] or 0))


def overall(edition: Path) -> dict[tuple[str, ...], dict[str, str]]:
    """(procedure, category, level, window) → the row of `rates` over all strata, where a figure is printed."""
    path = edition / "department" / "tables" / "rates.csv"
    with path.open(encoding="utf-8", newline="") as lines:
        return {
            (row["procedure"], row["category"], row["level"], row["window_days"]): row
            for row in csv.DictReader(lines)
            if row["stratum"] == "none" and not row["note"].startswith("not defined")
        }


def changes_amiss(before: Path, after: Path) -> Iterator[str]:
    """Each figure that moved since the signed edition stands in `changed_figures`, and its causes add up to the move."""
    path = after / "department" / "tables" / "changed_figures.csv"
    sums: dict[tuple[str, ...], int] = defaultdict(int)
    with path.open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            key = row["procedure"], row["category"], row["level"], row["window_days"], row["figure"]
            sums[key] += int(row["change"])
            if row["because"] == "not_explained":
                yield f"{path}: {key}: not explained"
    old, new = overall(before), overall(after)
    for key in sorted(key for key in old.keys() | new.keys() if key[2] == MAIN.get(key[1], "any")):
        for figure in ("cases", "events", "lost"):
            moved = int(new.get(key, {}).get(figure) or 0) - int(old.get(key, {}).get(figure) or 0)
            if sums.get((*key, figure), 0) != moved:
                yield f"{path}: {key} {figure}: moved by {moved}, causes add up to {sums.get((*key, figure), 0)}"


def leaked(folder: Path) -> Iterator[str]:
    """Names and numbers that leaked into exports and stand in something written."""
    wanted = [name.encode() for name in NAMES]
    for path in sorted(folder.rglob("*")):
        if path.suffix in (".csv", ".html", ".json", ".svg", ".parquet") and path.is_file():
            content = path.read_bytes()
            yield from (f"{path} holds {name.decode()}" for name in wanted if name in content)


def hashes(folder: Path) -> dict[str, str]:
    """Path in the folder → SHA-256."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def unlike(one: Path, other: Path, look_back: bool = True) -> list[str]:
    """Files of two editions or checks that differ, run.json apart; without `look_back` also what rests on signed ones."""
    first, second = hashes(one), hashes(other)
    names = first.keys() | second.keys()
    asked = [n for n in sorted(names) if n != "run.json" and (look_back or not LOOK_BACK.search(n))]
    return [name for name in asked if first.get(name) != second.get(name)]


def manifest(edition: Path) -> dict[str, Any]:
    """What an edition says of itself."""
    told: dict[str, Any] = json.loads((edition / "department" / "manifest.json").read_text("utf-8"))
    return told
