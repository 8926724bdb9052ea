"""Short ways to write the columns of published tables."""

from __future__ import annotations

from schemas.columns import Column, Display, Kind
from schemas.exports import OURS

AUDIT = "limbaudit"
CATALOGUE = "catalogue in force"
SETTINGS = "audit.toml"
KAHN = "Kahn 2016, eGEMs 4(1):1244"
WILSON = "Wilson 1927; Clopper and Pearson 1934 where the settings ask for it"
NEWCOMBE = "Newcombe 1998, hybrid score interval"
GARWOOD = "Garwood 1936, exact Poisson"
AALEN = "Aalen and Johansen, death competing"
SPIEGELHALTER = "Spiegelhalter 2005, Stat Med 24:1185"
RENEWAL = "exact on the lattice of scores, over the chart's own risks"
DELONG = "DeLong, DeLong and Clarke-Pearson 1988, Biometrics 44:837"
COX = "Cox 1958, Biometrika 45:562"
STEINER = "Steiner 2000, Biostatistics 1:441"
EXACT_LIMITS = (
    "exact binomial, central 99.8 % (Spiegelhalter 2005, Stat Med 24:1185), around Clopper and Pearson 1934"
)
KAPPA = "Cohen 1960, Educ Psychol Meas 20:37; large-sample interval of Fleiss, Cohen and Everitt 1969, Psychol Bull 72:323"
CICCHETTI = "Cicchetti and Feinstein 1990, J Clin Epidemiol 43:551"
BYRT = "Byrt, Bishop and Carlin 1993, J Clin Epidemiol 46:423"

_DISPLAYS: dict[Kind, Display] = {"date": "day", "integer": "count", "number": "decimal"}


def always(
    name: str, kind: Kind, description: str, source: str = AUDIT, words: tuple[str, ...] = ()
) -> Column:
    """A column that is always filled."""
    return Column(
        name,
        kind,
        description,
        True,
        words,
        source=source,
        display=_DISPLAYS.get(kind, "plain"),
        nullable=False,
    )


def maybe(
    name: str, kind: Kind, description: str, source: str = AUDIT, words: tuple[str, ...] = ()
) -> Column:
    return Column(
        name, kind, description, vocabulary=words, source=source, display=_DISPLAYS.get(kind, "plain")
    )


def count(name: str, description: str, unit: str = "cases", source: str = OURS) -> Column:
    return Column(name, "integer", description, True, (), 0, None, unit, source, "count", nullable=False)


def count_or_gap(name: str, description: str, unit: str = "cases", source: str = OURS) -> Column:
    """A count that is empty where the row is not defined."""
    return Column(name, "integer", description, False, (), 0, None, unit, source, "count")


def share(name: str, description: str, source: str = OURS) -> Column:
    return Column(name, "number", description, False, (), 0, 1, "fraction", source, "share")


def probability(name: str, description: str, source: str) -> Column:
    """A p value or one adjusted: no share of cases."""
    return Column(name, "number", description, False, (), 0, 1, "probability", source, "decimal")


def number(name: str, description: str, source: str, unit: str = "", low: float | None = None) -> Column:
    return Column(name, "number", description, False, (), low, None, unit, source, "decimal")


def limits(
    low: str,
    high: str,
    of: str,
    source: str,
    least: float | None = 0,
    most: float | None = 1,
    unit: str = "fraction",
) -> tuple[Column, Column]:
    """Both ends of the interval of a figure, which lie between `least` and `most`."""

    def end(name: str, which: str) -> Column:
        text = f"{which} end of the interval of {of}."
        return Column(name, "number", text, False, (), least, most, unit, source, "interval")

    return end(low, "Lower"), end(high, "Upper")


# Columns that many tables share.


def site() -> Column:
    return always("site", "id", "Site: the name of its folder of exports.")


def procedure() -> Column:
    return always("procedure", "word", "Procedure of the catalogue, two joined by `+`, or `all`.", CATALOGUE)


def category() -> Column:
    return always(
        "category", "word", "Category of complication, or the program's own for any of them.", CATALOGUE
    )


def level() -> Column:
    return always("level", "word", "Level of the category, stricter or wider than its main one.", CATALOGUE)


def window_days() -> Column:
    return Column(
        "window_days",
        "integer",
        "Last day counted; the operation is day 0.",
        True,
        (),
        0,
        None,
        "days",
        SETTINGS,
        "days",
        nullable=False,
    )


def place() -> tuple[Column, Column]:
    return (
        always(
            "source_file", "text", "File as received, from the workspace; `#sheet` follows for a workbook."
        ),
        Column(
            "source_line",
            "integer",
            "First line of the row in the file, from 1 with the header; empty where the whole file is meant.",
            low=1,
            source=AUDIT,
            display="plain",
        ),
    )


def remark() -> Column:
    return maybe("note", "text", "What to know before reading the row, in words.")


def case() -> Column:
    return always("case_id", "id", "Case: `<site>.<operation_id>.<L|R|N>` of the operation that names it.")


def days(name: str, description: str, filled: bool = True) -> Column:
    return Column(
        name, "integer", description, filled, unit="days", source=OURS, display="days", nullable=not filled
    )


def ratio(name: str, low: str, high: str, description: str, source: str) -> tuple[Column, ...]:
    return (
        number(name, description, source, "ratio", 0),
        *limits(low, high, f"`{name}`", source, 0, None, "ratio"),
    )


def difference(name: str, low: str, high: str, description: str, source: str) -> tuple[Column, ...]:
    figure = Column(name, "number", description, False, (), -1, 1, "fraction", source, "share")
    return (figure, *limits(low, high, f"`{name}`", source, -1, 1))
