"""Figures of others in an entry of catalogue.toml: what they counted, of how many, and where it was printed."""

from __future__ import annotations

from pipeline.catalogue import PublishedFigure
from pipeline.toml_reading import TomlTable

_COUNTS, _RANGE = ("events", "cases"), ("lowest", "highest")


def published_figures(table: TomlTable) -> tuple[PublishedFigure, ...]:
    """All of an entry.

    Raises:
        WrongUse: A figure without its source or what was counted, one that cannot be, or one that stands there twice.
    """
    found: list[PublishedFigure] = []
    for item in table.tables("published"):
        figure = _figure(item)
        if figure in found:
            raise item.wrong("source", "another figure than the ones above. Leave one of them out.")
        found.append(figure)
    return tuple(found)


def _figure(table: TomlTable) -> PublishedFigure:
    table.require(*(_RANGE if any(table.has(key) for key in _RANGE) else _COUNTS), "criterion", "source")
    figure = PublishedFigure(
        criterion=_said(table, "criterion", "what was counted, after which operation"),
        source=_said(table, "source", "where it was printed"),
        events=table.whole("events", low=0),
        cases=table.whole("cases", low=1),
        lowest=table.number("lowest", low=0, high=1),
        highest=table.number("highest", low=0, high=1),
        window=table.whole("window", low=1),
    )
    table.finish()
    _check(table, figure)
    return figure


def _said(table: TomlTable, key: str, what: str) -> str:
    text = table.text(key).strip()
    if not text:
        raise table.wrong(key, f"{what}. Write it in words.")
    return text


def _check(table: TomlTable, figure: PublishedFigure) -> None:
    """Counts and a range say two things: one figure is one of them."""
    if figure.lowest is not None and (figure.events is not None or figure.cases is not None):
        raise table.wrong(
            "lowest", "`events` and `cases`, or a range, not both. Write the other as a figure of its own."
        )
    if figure.events is not None and figure.cases is not None and figure.events > figure.cases:
        raise table.wrong("events", f"at most `cases`, which is {figure.cases}. Correct one of them.")
    if figure.lowest is not None and figure.highest is not None and figure.lowest > figure.highest:
        raise table.wrong("lowest", f"at most `highest`, which is {figure.highest:g}. Correct one of them.")
