"""The pages of an edition."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import store
from pipeline.publish import words
from pipeline.publish.changes_page import changes_body
from pipeline.publish.charts.files import pictures
from pipeline.publish.comparison_page import comparison_body
from pipeline.publish.context import Context
from pipeline.publish.discuss_page import discuss_body
from pipeline.publish.front import front_body
from pipeline.publish.how_counted_page import how_counted_body
from pipeline.publish.over_time_page import over_time_body
from pipeline.publish.page import page
from pipeline.publish.quality_page import quality_body
from pipeline.publish.rates_page import rates_body
from pipeline.publish.surgeons_page import surgeons_body
from pipeline.publish.time_page import time_body
from pipeline.publish.to_review_page import review_body

if TYPE_CHECKING:
    import pandas as pd

#: Beside the report.
CHARTS = "charts"
BODIES: dict[str, Callable[[Mapping[str, pd.DataFrame], Context], str]] = {
    "index.html": front_body,
    "rates.html": rates_body,
    "comparison.html": comparison_body,
    "surgeons.html": surgeons_body,
    "time_to_event.html": time_body,
    "over_time.html": over_time_body,
    "discuss.html": discuss_body,
    "to_review.html": review_body,
    "quality.html": quality_body,
    "what_changed.html": changes_body,
    "how_counted.html": how_counted_body,
}


def write_report(folder: Path, tables: Mapping[str, pd.DataFrame], context: Context) -> None:
    """Every page, complete in one file each, the lists their numbers lead to, and beside the folder every chart."""
    from pipeline.publish.numbers.pages import write_lists

    asking = replace(context, lists=context.lists.fresh())
    source = _source(context)
    for file, body in BODIES.items():
        made = body(tables, asking)
        store.write_text(page(file, asking, made), folder / file)
        for name, picture in pictures(Path(file).stem, made, source).items():
            store.write_text(picture, folder.parent / CHARTS / name)
    write_lists(folder, asking.lists, tables, context)


def _source(context: Context) -> str:
    """What a chart says of itself where it stands alone."""
    period, cut = words.sentence(words.period(context.period)), words.day(context.cut_on)
    state = f"edition {context.number}, signed" if context.signature else "draft"
    intervals = f"{words.percent(context.settings.confidence, 0)} intervals"
    return f"{period}, {state}, counted to {cut}; {intervals}; for the department"
