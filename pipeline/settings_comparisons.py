"""The parts of audit.toml that say who is compared with whom."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from pipeline.catalogue import ANY_COMPLICATION, ANY_LEVEL, Catalogue
from pipeline.settings import Compare, Group, Primary, Window
from pipeline.toml_reading import TomlTable

BY_PROCEDURE = "procedure"


@dataclass(frozen=True)
class Known:
    """What settings may mention."""

    catalogue: Catalogue
    columns: Collection[str]
    windows: tuple[Window, ...]
    groups: Collection[str]

    @property
    def categories(self) -> tuple[str, ...]:
        return (*self.catalogue.complications, ANY_COMPLICATION)

    @property
    def days(self) -> tuple[int, ...]:
        return tuple(window.days for window in self.windows)


def check_window(table: TomlTable, key: str, days: int, known: Known) -> None:
    if days not in known.days:
        words = ", ".join(str(day) for day in known.days)
        raise table.wrong(key, f"windows of this file: {words}. Add the window or name one of these.", days)


def group(name: str, table: TomlTable, columns: Collection[str]) -> Group:
    where = table.table("where")
    read = Group(
        name=name,
        age_below=table.whole("age_below", low=1, high=120),
        age_from=table.whole("age_from", low=0, high=120),
        isolated=table.flag("isolated"),
        where={column: where.texts(column, lone=True) for column in where.keys if column in columns},
    )
    where.finish({*columns})
    table.finish()
    if read.age_below is not None and read.age_from is not None and read.age_from >= read.age_below:
        raise table.wrong(
            "age_from", f"an age under `age_below`, which is {read.age_below}. Correct one of them."
        )
    return read


def primary(table: TomlTable, known: Known) -> Primary:
    table.require("category", "window")
    category = table.text("category", among=known.categories)
    entry = known.catalogue.complications.get(category)
    levels = [level.key for level in entry.levels] if entry else [ANY_LEVEL]
    level = table.text("level", "", among=levels)
    days = table.whole("window", low=1)
    check_window(table, "window", days, known)
    if entry and ((entry.windows and days not in entry.windows) or days <= entry.first_day):
        raise table.wrong(
            "window", f"a window in which `{category}` is defined. Name another window or category."
        )
    arms = _arms(table, known)
    table.finish()
    return Primary(**arms, category=category, level=level, window=days)


def compare(table: TomlTable, known: Known) -> Compare:
    read = Compare(**_arms(table, known))
    table.finish()
    return read


def _arms(table: TomlTable, known: Known) -> dict[str, str]:
    table.require("a", "b")
    by = table.text("by", BY_PROCEDURE, among=(BY_PROCEDURE, *known.columns))
    operations = [entry.key for entry in known.catalogue.procedures.values() if entry.index]
    names = {key: table.text(key, among=operations if by == BY_PROCEDURE else None) for key in ("a", "b")}
    if names["a"] == names["b"]:
        raise table.wrong("b", "another one than `a`. Name the two to compare.")
    return {
        **names,
        "by": by,
        "within": table.text("within", "", among=operations),
        "among": table.text("among", "", among=known.groups),
    }
