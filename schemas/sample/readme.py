"""The README of the demo workspace: what is in it, and which faults were planted."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

_OPENING = """# An invented workspace

Everything here is made up: three hospitals, their patients, surgeons and letters. It was written by

    limbaudit sample {folder} --cases {cases} --seed {seed}{faults}

and the same command writes the same bytes. Try

    limbaudit run {folder}
    limbaudit check {folder} --as-of 2026-11-04

## The story

A network for knees and shoulders compares two operations for a kneecap that keeps coming out of its groove. One
rebuilds a ligament through holes in the kneecap; the other moves a piece of the shin bone, which nobody does before
the growth plates have closed. Patients of the second are therefore older. Younger patients come to grief more often
whatever is done, so the first operation looks worse until ages are compared like with like. Some patients have
both at one sitting. A third operation tightens soft tissue only and makes no hole in any bone. On the shoulder side
the network rebuilds ligaments of the collarbone, plates it (most plates come out again, as agreed), stabilises
shoulders, repairs the labrum and fixes the biceps tendon.

Between May 2024 and October 2026 there are bones that broke through a hole, joints that came out again, stiff
joints freed under anaesthesia, sore screws taken out, infections, nerves, a clot here and there and a death that had
nothing to do with the operation. Some operations were done on both sides at once. Some patients were never seen
again. Two reviewers, r1 and r2, agree on some letters and differ on others; one patient got a second number, and one
letter belongs to somebody else.

From September 2024 to the end of April 2025 HB-S4, a shoulder surgeon of harbour, and nobody else, used a new
anchor for stabilisations and labral repairs. Shoulders stiffened until they were freed under anaesthesia, anchors
stood proud or pulled out, and most of these patients came back to theatre. This surgeon's results therefore lie
outside the limits, and the running charts of both operations at harbour ask for a check; whoever checks finds the
anchor. Before and after it the surgeon's results are those of the colleagues.

## The hospitals

| site | sends | how |
|---|---|---|
| harbour | what is new, every month, after a first full export | CSV in the form of the contract |
| millfield | everything, every quarter | CSV with `;`, own headers and words, days as 31.12.2025, decimal commas, Windows-1252 |
| northgate | what is new, every quarter | one workbook a receipt |

Some records are written down only months after they happened.
"""

_FAULTS = """
## Faults planted on purpose

None of them changes what a right count finds: rows held back were added for the purpose, and what is wrong at first
comes again correctly. The list with columns and rules is `truth/faults.csv`; docs/findings.md of the project says what
each rule means. A line without a rule is no fault, but easily taken for one. harbour lays counts of its own beside its
last two exports (`control_totals.csv`), and they agree. Up to 4 November 2026 millfield's list of incidents is broken
off and a run ends with exit code 1; the next day the whole file arrives and a run ends with 0.

| file | line | table | column | rule | what |
|---|---|---|---|---|---|
"""


def write_readme(folder: Path, cases: int, seed: int, listed: pd.DataFrame) -> None:
    """`README.md`, with a line for each planted fault."""
    text = _OPENING.format(
        folder=folder.name, cases=cases, seed=seed, faults=" --faults" if len(listed) else ""
    )
    if len(listed):
        shown = listed.astype({"source_line": str}).replace({"source_line": {"0": ""}})
        columns = ["source_file", "source_line", "table", "column", "rule", "what"]
        lines = [f"| {' | '.join(cells)} |" for cells in shown[columns].to_numpy().tolist()]
        text += _FAULTS + "\n".join(lines) + "\n"
    (folder / "README.md").write_text(text, encoding="utf-8", newline="\n")
