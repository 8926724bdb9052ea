"""How the expected risk behind surgeons and running charts was worked out, and how good it is, in words."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

from pipeline.counts import COVARIATES
from pipeline.publish import page, words
from pipeline.publish.context import Context
from pipeline.publish.numbers import Whose
from pipeline.publish.page import Show

if TYPE_CHECKING:
    import pandas as pd

CSV = "../tables/risk_models.csv"
COVARIATE_WORDS = {
    "age_band": "age band",
    "sex": "sex",
    "asa_class": "fitness for anaesthesia (ASA)",
    "group": "operation",
    "prior_operation": "earlier operation on the joint",
    "smoker": "smoking",
    "diabetes": "diabetes",
}
ADJUSTED = words.listed([COVARIATE_WORDS[name] for name in COVARIATES])
NOT_ADJUSTED = (
    "site, fixation, what was done besides, severity of the injury or disease, sport and work, earlier episodes, who was "
    "referred to whom, and everything that is not recorded"
)


def risk_models_part(tables: Mapping[str, pd.DataFrame], context: Context) -> str:
    """Method, calibration, discrimination, and what was not adjusted for; nothing without models."""
    models = tables.get("risk_models")
    if models is None or models.empty:
        return ""
    said = [
        f"Expected is what the department's own cases lead to expect of patients with the same {ADJUSTED}; a missing "
        "entry is a group of its own.",
        f"Not adjusted for: {NOT_ADJUSTED}. So a difference may lie in the patients and not in the surgeon.",
        "Telling apart: of two cases, one with it and one without, the chance that the one with it had the higher "
        "expected risk; 50 % is no better than tossing a coin. Calibration: the slope is below 1 where expected risks "
        "lie too far apart, the level above 0 where more happened than expected. Both were looked at in the same cases "
        "from which the risks were worked out, which flatters them.",
        "Spread among surgeons: 1 is what chance alone gives; it is worked out from ten surgeons on.",
    ]  # fmt: skip
    columns = {
        "outcome": Show("Outcome"), "method": Show("How the risk was worked out"), "cases": Show("Cases", True),
        "events": Show("With it", True), "lacking": Show("Lack an entry", True),
        "apart": Show("Telling apart", one_line=True), "slope": Show("Slope", True), "level": Show("Level", True),
        "spread": Show("Spread among surgeons", True),
    }  # fmt: skip
    table = page.table(
        _printed(models, context),
        "models",
        "The risk models, by outcome and window",
        columns,
        csv=CSV,
        stub="outcome",
    )
    paragraphs = "".join(page.paragraph(line) for line in said)
    return f'<section><h2 id="expected">What “expected” rests on</h2>{paragraphs}{table}</section>'


def _printed(models: pd.DataFrame, context: Context) -> pd.DataFrame:
    import pandas as pd

    named = words.names(context)
    told = [
        {
            "outcome": f"{named.category(row['category'])} {words.window(row['window_days'])}",
            "method": f"{words.sentence(str(row['method']))}; {row['why']}",
            "cases": linked_count(row, "cases", context),
            "events": linked_count(row, "events", context),
            "lacking": _lacking(row, context),
            "apart": _apart(row),
            "slope": _number(row["calibration_slope"]),
            "level": _number(row["calibration_intercept"]),
            "spread": _number(row.get("spread")),
        }
        for row in models.to_dict("records")
    ]
    return pd.DataFrame(told, dtype="object")


def linked_count(row: Mapping[Hashable, object], kind: str, context: Context) -> str:
    """Cases or events that are laid to the row's surgeon, or to any where it names none, leading to their list."""
    category = str(row["category"])
    outcome = (category, words.names(context).main_level(category), int(str(row["window_days"])))
    whose = Whose(surgeon=str(row.get("surgeon", "")), laid=True)
    return context.lists.number(words.count(row[kind]), kind, whose, *outcome)


def _lacking(row: Mapping[Hashable, object], context: Context) -> str:
    """Cases of which something is not known that the risk takes into account."""
    category, days = str(row["category"]), int(str(row["window_days"]))
    outcome = words.names(context).main_level(category)
    title = f"Lack an entry, closed {words.window(days)}: {words.within_sentence(words.names(context).category(category))}"
    return context.lists.found(
        words.count(row["lacking"]), "Expected risk", title,
        lambda facts: facts.beside.lacking(Whose(laid=True), facts.outcome(category, outcome, days, True)),
    )  # fmt: skip


def _apart(row: Mapping[Hashable, object]) -> str:
    if words.is_missing(row["concordance"]):
        return words.NOTHING
    limits = words.percents(row["concordance_low"], row["concordance_high"])
    return words.percent(row["concordance"]) + ("" if limits == words.NOTHING else f" ({limits})")


def _number(value: object) -> str:
    if words.is_missing(value):
        return words.NOTHING
    number = round(float(str(value)), 2) + 0.0
    return f"{'−' if number < 0 else ''}{abs(number):.2f}"
