"""Reduces index cases to small additive whole numbers. No rate, no interval, no float is made here."""

from pipeline.count.agreement import agreement_counts
from pipeline.count.counting import Span, counted
from pipeline.count.missed import missed_counts, notes_of_cases, text_negative
from pipeline.count.repeats import repeated_cases
from pipeline.count.risk import added_chart_cases, added_histograms, chart_cases, risk_histogram

__all__ = [
    "Span",
    "added_chart_cases",
    "added_histograms",
    "agreement_counts",
    "chart_cases",
    "counted",
    "missed_counts",
    "notes_of_cases",
    "repeated_cases",
    "risk_histogram",
    "text_negative",
]
