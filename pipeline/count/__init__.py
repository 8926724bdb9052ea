"""Reduces index cases to small additive whole numbers. No rate, no interval, no float is made here."""

from pipeline.count.counting import Span, counted
from pipeline.count.risk import added_histograms, risk_histogram

__all__ = ["Span", "added_histograms", "counted", "risk_histogram"]
