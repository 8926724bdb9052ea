"""How a site writes days, numbers and text, as far as its files show it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.drafting.groups import Group
from pipeline.drafting.looks import Look
from pipeline.drafting.placing import Placed
from pipeline.drafting.writing import ASK, date_evidence, quoted, without_identifiers
from schemas.exports import EXPORTS

Entry = tuple[str, str]  # value as TOML, reason


@dataclass(frozen=True)
class SiteKeys:
    """Lines for the whole site, and keys of single groups by their pattern and sheet."""

    site_lines: tuple[str, ...]
    of_group: dict[tuple[str, str], dict[str, Entry]]


def site_keys(placed: Sequence[tuple[Group, Placed]]) -> SiteKeys:
    """What can be said once for the site is said once; what only some files show stands with them."""
    of_group: dict[tuple[str, str], dict[str, Entry]] = {(g.pattern, g.sheet): {} for g, _ in placed}
    lines: list[str] = []
    for key, found in (
        ("date_order", {_key(group): _order(group, table) for group, table in placed}),
        ("decimal", {_key(group): _decimal(table) for group, table in placed}),
        ("delimiter", {_key(group): _delimiter(group) for group, _ in placed if group.is_text}),
    ):
        lines += _once(key, found, of_group)
    for group, _ in placed:
        if encoding := _encoding(group):
            of_group[_key(group)]["encoding"] = encoding
    return SiteKeys((*lines, *_questions(placed)), of_group)


def _key(group: Group) -> tuple[str, str]:
    return group.pattern, group.sheet


def _once(
    key: str, found: dict[tuple[str, str], Entry | None], of_group: dict[tuple[str, str], dict[str, Entry]]
) -> Iterator[str]:
    """The key as a line of the site if all groups that show it agree, else as keys of the groups."""
    shown = {group: entry for group, entry in found.items() if entry is not None}
    values = {value for value, _ in shown.values()}
    if len(values) == 1 and (key != "delimiter" or len(shown) == len(found)):
        value, why = next(iter(shown.values()))
        yield f"{key} = {value}  # {why}"
        return
    for group, entry in shown.items():
        of_group[group][key] = entry


def _looks(placed: Placed, kinds: Iterable[str]) -> list[Look]:
    """Headers placed in columns of these kinds."""
    table = EXPORTS[placed.table]
    return [
        look for name, (looks, _) in placed.columns.items() if table[name].kind in kinds for look in looks
    ]


def _order(group: Group, placed: Placed) -> Entry | None:
    first, second, _, _ = date_evidence(_looks(placed, ("date", "moment")))
    if bool(first) == bool(second):
        return None
    order, (file, line) = ("DMY", first[0]) if first else ("MDY", second[0])
    return quoted(order), f"{without_identifiers(file)}, line {line}: a day above 12"


def _decimal(placed: Placed) -> Entry | None:
    looks = _looks(placed, ("number", "integer"))
    commas, points = sum(look.commas for look in looks), sum(look.points for look in looks)
    return (
        (quoted(","), f"{commas} numbers with a comma, none with a point") if commas and not points else None
    )


def _delimiter(group: Group) -> Entry | None:
    found = {sheet.delimiter for sheet in group.sheets}
    if len(found) != 1 or found == {""}:
        return None
    delimiter = found.pop()
    named = "tab" if delimiter == "\t" else delimiter
    return quoted(named), "under it rows have as many cells as their header"


def _encoding(group: Group) -> Entry | None:
    odd = [sheet for sheet in group.sheets if sheet.encoding]
    if not odd:
        return None
    return quoted(
        odd[0].encoding
    ), f"{without_identifiers(odd[0].file)} is not UTF-8: look whether its accents are right"


def _questions(placed: Sequence[tuple[Group, Placed]]) -> Iterator[str]:
    """Orders of days, years of two digits and numbers of days that the files do not settle."""
    looks = [look for _, table in placed for look in _looks(table, ("date", "moment"))]
    first, second, days, short = date_evidence(looks)
    if days and not first and not second:
        yield f'{ASK}date_order = "DMY" or "MDY": no day above 12 in {days} dates'
    for group, table in placed:
        ahead, behind, _, _ = date_evidence(_looks(table, ("date", "moment")))
        if ahead and behind:
            (one, at), (other, there) = ahead[0], behind[0]
            where = f"{without_identifiers(one)} line {at} and {without_identifiers(other)} line {there}"
            yield f"{ASK}date_order of {without_identifiers(group.pattern)}: days above 12 stand first and second: {where}"
    if short:
        yield f"{ASK}year_pivot = 50  # {short} years of two digits: from which year on are they 19xx?"
    if any(look.is_serials for look in looks):
        yield f"{ASK}excel_base = 1900  # or 1904: days come as numbers of a spreadsheet"
