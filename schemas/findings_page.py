"""The list of findings in plain words: what `limbaudit findings` prints and docs/findings.md holds."""

from __future__ import annotations

import re

from schemas.findings import GROUPS, Action, Actor, Rule

_INTRODUCTION = """\
# Findings

Everything a check may say about what was received, made from `schemas/findings.py` by `limbaudit findings`. The code
stands under `rule` in `quarantine.csv`, `repairs.csv`, `quality.csv` and the notes to the senders.

What the program does with it:

| action | what happens | where it is listed |
| --- | --- | --- |
| repair | The cell was read otherwise than it was written; nothing is lost. | `repairs.csv` |
| warn | The row or file is used. | `quarantine.csv` |
| quarantine | The row is held back. | `quarantine.csv`, the row itself in `quarantined/` |
| refuse | The whole file is set aside; nothing of its content is kept. | `quarantine.csv`, `ledger.csv` |
| set aside | The export is not used; the site stays at the one before. | `quarantine.csv`, `ledger.csv` |

Kinds of fault are those of Kahn et al. 2016, eGEMs 4(1):1244: conformance to the form agreed, completeness,
plausibility; *verification* holds the data against what they themselves and the contract lead one to expect,
*validation* against a source outside the export. `<site>` and `<column>` stand for the ones the finding names.

A finding the department knows and accepts for a time can be
[marked as known](operating.md#findings-that-are-known)."""

_DONE: dict[Action, str] = {
    "repair": "Repaired",
    "warn": "Warning, used",
    "quarantine": "Row held back",
    "refuse": "File refused",
    "set_aside": "Export set aside",
}
_ACTS: dict[Actor, str] = {
    "sender": "the sender acts",
    "department": "the department acts",
    "either": "the department or the sender acts",
    "nobody": "nobody has to act",
}


def markdown() -> str:
    """The whole page; ends with one line break. Every rule has a heading of its own, so that it can be linked to."""
    blocks = [_INTRODUCTION, _contents()]
    for title, rules in GROUPS.items():
        blocks.append(f"## {title}")
        blocks += [_entry(rule) for rule in rules]
    return "\n\n".join(blocks) + "\n"


def _contents() -> str:
    return "\n".join(
        f"- {title}: " + ", ".join(f"[{rule.code}](#{rule.code})" for rule in rules)
        for title, rules in GROUPS.items()
    )


def _entry(rule: Rule) -> str:
    fault = f"{rule.kind} {rule.dimension}".strip()
    lines = [
        f"### {rule.code}",
        f"**{rule.title}.** {rule.cause}",
        f"*{_DONE[rule.action]} · {fault}, {rule.context} · {_ACTS[rule.acts]}.*",
    ]
    if rule.acts != "nobody":
        lines.append(f"What to do: {rule.remedy}")
    if rule.asks:
        lines.append(f"What the sender is asked: {rule.asks}")
    return "\n\n".join(_shown(line) for line in lines)


def _shown(text: str) -> str:
    """Angle brackets escaped, for viewers that take them for markup; `code` is left as it is."""
    return re.sub(r"(`[^`]*`)|<", lambda found: found[1] or r"\<", text)
