"""The part of a draft that speaks of one group of files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.drafting.groups import Group
from pipeline.drafting.placing import LEAST_TABLE, MARGIN, Knowledge, Placed
from pipeline.drafting.site_keys import SiteKeys
from pipeline.drafting.writing import ASK, table_lines, unplaced_lines, without_identifiers
from pipeline.intake.claims import table_named
from pipeline.intake.header import plain


def group_lines(group: Group, choice: Sequence[Placed], known: Knowledge, keys: SiteKeys) -> Iterator[str]:
    """What is proposed for a group: a `[[table]]`, a question, or that nothing is needed."""
    best, second = choice[0], choice[1]
    where = f"{without_identifiers(group.pattern)}{f', sheet {without_identifiers(group.sheet)}' if group.sheet else ''}"
    looked_at = sum(len(sheet.lines) for sheet in group.sheets)
    drawn = f" ({looked_at} of them looked at)" if looked_at < group.rows else ""
    yield f"# {where}: {len(group.sheets)} received, {group.rows} rows{drawn}, {len(group.looks)} columns"
    if best.score < LEAST_TABLE:
        yield f"{ASK}which table is it? None fits. Nothing is proposed."
        yield from unplaced_lines(group, None)
        return
    if _is_contract_form(group, best):
        yield f"# In the form of the contract ({best.table}): its name and headers say all, no [[table]] is needed."
        yield from unplaced_lines(group, best)
        return
    lines = table_lines(group, best, known, keys.of_group[group.pattern, group.sheet])
    if best.score - second.score < MARGIN:
        yield f"{ASK}`{best.table}` or `{second.table}`? Both fit. If the first, take the marks away:"
        lines = [line if line.startswith("#") else f"{ASK}{line}" for line in lines]
    yield from lines
    yield from unplaced_lines(group, best)


def _is_contract_form(group: Group, placed: Placed) -> bool:
    """Whether the name rule takes the files as they are."""
    headers = [(name, look.header) for name, (looks, _) in placed.columns.items() for look in looks]
    return (
        not group.sheet
        and all(table_named(file) == placed.table for file in group.files)
        and all(plain(header) == name for name, header in headers)
        and not (placed.lacking or placed.questions or placed.measures or group.repeated)
    )
