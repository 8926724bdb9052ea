"""Estimate: counts into rates, intervals and comparisons. Floats first appear here; no case is ever seen."""

from pipeline.estimate.activity import activity_table
from pipeline.estimate.agreement import agreement_table
from pipeline.estimate.baseline import baseline_table
from pipeline.estimate.benefit import benefit_tables
from pipeline.estimate.benefit_and_harm import benefit_and_harm_table
from pipeline.estimate.cohorts import cohorts_table
from pipeline.estimate.comparisons import comparisons_table
from pipeline.estimate.courses_compared import courses_compared_table
from pipeline.estimate.event_free import event_free_table
from pipeline.estimate.expected import expected_risk, risk_models_table
from pipeline.estimate.later import revisions_table, severity_table
from pipeline.estimate.missed import missed_table
from pipeline.estimate.published_figures import published_figures_table
from pipeline.estimate.rates import rates_table
from pipeline.estimate.running import monitoring_tables
from pipeline.estimate.second_cases import second_cases_table
from pipeline.estimate.standardised_rates import standardised_rates_table
from pipeline.estimate.surgeon_table import spreads, surgeon_outcomes_table

__all__ = [
    "activity_table",
    "agreement_table",
    "baseline_table",
    "benefit_and_harm_table",
    "benefit_tables",
    "cohorts_table",
    "comparisons_table",
    "courses_compared_table",
    "event_free_table",
    "expected_risk",
    "missed_table",
    "monitoring_tables",
    "published_figures_table",
    "rates_table",
    "revisions_table",
    "risk_models_table",
    "second_cases_table",
    "severity_table",
    "spreads",
    "standardised_rates_table",
    "surgeon_outcomes_table",
]
