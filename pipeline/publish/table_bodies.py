"""Bodies of printed tables: a row group for each block, headers with their scope, every cell escaped.

great-tables sets its cells one by one, a tenth of a millisecond each; on the pages of one edition that was most of the
time of publishing. It makes the heads; the rows are put together here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.publish import words
from pipeline.publish.markup import Markup, escape

if TYPE_CHECKING:
    import pandas as pd


def bodies(shown: pd.DataFrame, places: Mapping[str, str], stub: str = "", grouped_by: str = "") -> str:
    """`<tbody>` after `<tbody>`, one for each block in the order in which blocks first occur.

    Args:
        shown: Printed text.
        places: Column → `left`, `right` or `center`, in the order of the head, without `grouped_by`.
        stub: Column of `places` whose cells head their rows; it comes first.
        grouped_by: Column whose values head the blocks.
    """
    rows = _rows(shown, places, stub)
    if not grouped_by:
        return _body(rows)
    blocks: dict[object, list[str]] = {}
    for name, row in zip(shown[grouped_by].tolist(), rows, strict=True):
        blocks.setdefault(name, []).append(row)
    return "".join(_body([_head(name, len(places)), *block]) for name, block in blocks.items())


def _rows(shown: pd.DataFrame, places: Mapping[str, str], stub: str) -> list[str]:
    order = [*([stub] if stub else []), *(name for name in places if name != stub)]
    columns = [_cells(shown[name].tolist(), places[name], heads=name == stub) for name in order]
    return [f"<tr>{''.join(cells)}</tr>" for cells in zip(*columns, strict=True)]


def _cells(values: Sequence[object], place: str, *, heads: bool) -> list[str]:
    if heads:
        return [f'<th scope="row" class="gt_row gt_{place} gt_stub">{_told(value)}</th>' for value in values]
    return [f'<td class="gt_row gt_{place}">{_told(value)}</td>' for value in values]


def _head(name: object, width: int) -> str:
    inner = f'<th class="gt_group_heading" colspan="{width}" scope="rowgroup">{_told(name)}</th>'
    return f'<tr class="gt_group_heading_row">{inner}</tr>'


def _body(rows: Sequence[str]) -> str:
    return '<tbody class="gt_table_body">\n' + "\n".join(rows) + "\n</tbody>"


def _told(value: object) -> str:
    if isinstance(value, Markup):
        return value
    return "" if words.is_missing(value) else escape(str(value), quote=True)
