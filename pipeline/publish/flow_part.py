"""From rows received to cases, all sites together: the drawn way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.publish import words
from pipeline.publish.charts import drawing
from pipeline.publish.charts.flow import HOW_TO_READ, FlowStep, flow_chart
from pipeline.publish.flow_table import STEPS

if TYPE_CHECKING:
    import pandas as pd

PLACES = {step: place for place, (step, _, _, _) in enumerate(STEPS.values())}


def flow_figure(flow: pd.DataFrame) -> str:
    """The picture of `flow` over all sites; nothing without steps."""
    steps = all_sites(flow)
    if not steps:
        return ""
    title = "From rows of operations received to cases, all sites together"
    return drawing.figure(flow_chart("flow-chart", title, steps), title, HOW_TO_READ)


def all_sites(flow: pd.DataFrame) -> list[FlowStep]:
    """Steps of the whole way (procedure `all`) added up over sites, in their order."""
    whole = flow[flow["procedure"] == "all"]
    if (whole["site"] != "all").any():
        whole = whole[whole["site"] != "all"]
    sums: dict[str, list[int]] = {}
    said: dict[str, tuple[str, str]] = {}
    for step, unit, added, removed, reason in zip(
        *(whole[name].tolist() for name in ("step", "unit", "added", "removed", "reason")), strict=True
    ):
        own = sums.setdefault(str(step), [0, 0])
        own[0] += int(added)
        own[1] += int(removed)
        said.setdefault(str(step), (str(unit), "" if words.is_missing(reason) else str(reason)))
    ordered = sorted(sums, key=lambda step: PLACES.get(step, len(PLACES)))
    return _balanced(ordered, said, sums)


def _balanced(
    steps: list[str], said: dict[str, tuple[str, str]], sums: dict[str, list[int]]
) -> list[FlowStep]:
    """With what there is after each step."""
    found, balance = [], 0
    for step in steps:
        (unit, why), (added, removed) = said[step], sums[step]
        balance += added - removed
        printed = words.plain(why) if why else ""
        found.append(FlowStep(words.plain(step), printed, added, removed, balance, words.plain(unit)))
    return found
