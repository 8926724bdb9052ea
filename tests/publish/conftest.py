"""A small invented edition: two hospitals, two operations, made-up counts, built-in catalogue."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from pipeline import findings
from pipeline.catalogue import Catalogue, load_catalogue
from pipeline.publish import Context, Input, SiteState
from pipeline.settings import Group, Primary, Settings, Site
from schemas.published import PUBLISHED
from tests.publish import chart_tables

CUT, AS_OF = date(2026, 10, 31), date(2026, 11, 9)


def table_of(name: str, rows: list[dict[str, object]]) -> pd.DataFrame:
    """Rows of a published table; what a row leaves out is null."""
    return pd.DataFrame(rows, columns=list(PUBLISHED[name].names)).astype("object")


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return load_catalogue()


def rate(
    procedure: str, category: str, level: str, window: int, cases: int, events: int, lost: int, **more: object
) -> dict[str, object]:
    """A row of `rates`; limits are invented but in order."""
    followed = cases - lost
    share = events / cases
    return {
        "stratum": "none", "stratum_value": None, "procedure": procedure, "category": category, "level": level,
        "window_days": window, "cases": cases, "followed": followed, "lost": lost, "events": events, "deaths": 0,
        "awaiting": 0, "rate": share, "ci_low": share * 0.4, "ci_high": min(1.0, share * 1.8 + 0.12),
        "method": "wilson", "rate_followed": events / followed, "rf_ci_low": share * 0.4,
        "rf_ci_high": min(1.0, share * 2 + 0.15), "worst_case": (events + lost) / cases, "rate_with_awaiting": share,
        **more,
    }  # fmt: skip


@pytest.fixture(scope="session")
def tables(catalogue: Catalogue) -> dict[str, pd.DataFrame]:
    a, b, c = list(catalogue.procedures)[:3]
    category = next(key for key, known in catalogue.complications.items() if known.main_level != "any")
    known = catalogue.complications[category]
    rates = []
    for window, lost in ((30, 0), (90, 1), (365, 7)):
        rates += [
            rate("all", "any_complication", "any", window, 48, 5, lost),
            rate(a, "any_complication", "any", window, 21, 2, lost, awaiting=1, rate_with_awaiting=3 / 21),
            rate(b, "any_complication", "any", window, 27, 0, 2 if lost else 0),
            rate(f"{a}+{b}", "any_complication", "any", window, 4, 1, 0, deaths=1),
            rate("all", "any_complication", "any", window, 30, 3, 2, stratum="site", stratum_value="harbour"),
        ]
    for level in [level.key for level in known.levels][:3]:
        rates += [
            rate(a, category, level, 365, 21, 1, 7, assessed=9),
            rate(b, category, level, 365, 27, 0, 2, assessed=20),
        ]
        rates += [{
            "stratum": "none", "procedure": c, "category": category, "level": level, "window_days": 365, "cases": 12,
            "note": "cannot occur here",
        }]  # fmt: skip
    arms = {
        "among": "young_athletes", "by": "procedure", "arm_a": a, "arm_b": b, "category": "any_complication",
        "level": "any", "window_days": 365,
    }  # fmt: skip
    counts = {
        "events_a": 2, "cases_a": 21, "events_b": 0, "cases_b": 27, "rate_a": 0.0952, "ra_ci_low": 0.02652,
        "ra_ci_high": 0.2891, "rate_b": 0, "rb_ci_low": 0, "rb_ci_high": 0.1246,
    }  # fmt: skip
    effect = {
        "risk_difference": 0.0952, "rd_ci_low": -0.0443, "rd_ci_high": 0.2891, "risk_ratio": 6.36,
        "rr_ci_low": 0.32, "rr_ci_high": 126.0, "odds_ratio": None,
    }  # fmt: skip
    comparisons = [
        {
            **arms, **counts, **effect, "analysis": analysis, "isolated_only": isolated, "primary": True,
            "p_fisher": 0.1862 if analysis == "all_cases" else None, "p_exact": 0.1121 if analysis == "all_cases" else None,
            "p_method": "Boschloo's exact test" if analysis == "all_cases" else None,
            "verdict": "The data fit no difference as well as a clear one" if analysis == "all_cases" else None,
        }
        for analysis in ("all_cases", "followed", "worst_for_a", "worst_for_b")
        for isolated in (True, False)
    ] + [
        {**arms, **counts, **effect, "category": category, "level": known.main_level, "window_days": window,
         "analysis": "all_cases", "isolated_only": True, "primary": False}
        for window in (365, 730)
    ]  # fmt: skip
    comparisons[0] |= {
        "adjusted_for": "age_band", "adj_risk_difference": 0.031, "adj_rd_low": -0.12, "adj_rd_high": 0.18,
        "informative_a": 18, "informative_b": 20, "homogeneity_p": 0.4, "power": 0.21, "detectable_difference": 0.284,
    }  # fmt: skip
    before = [
        {"characteristic": "age_years", "n_a": 21, "n_b": 26, "missing_a": 0, "missing_b": 1, "median_a": 18,
         "median_b": 27.5, "standardised_difference": -1.2},
        {"characteristic": "smoker", "value": "yes", "n_a": 5, "n_b": 0, "missing_a": 1, "missing_b": 0, "share_a": 0.25,
         "share_b": 0.0, "standardised_difference": 0.816},
        {"characteristic": "diabetes", "n_a": 0, "n_b": 0, "missing_a": 21, "missing_b": 27},
        {"characteristic": "site", "value": "hill", "n_a": 21, "n_b": 27, "missing_a": 0, "missing_b": 0, "share_a": 1.0,
         "share_b": 1.0, "standardised_difference": 0.0},
    ]  # fmt: skip
    file = "received/harbour/2026-11-03/operations.csv"
    return {
        "rates": table_of("rates", rates),
        "comparisons": table_of("comparisons", comparisons),
        "baseline": table_of("baseline", [{"arm_a": a, "arm_b": b, **row} for row in before]),
        "courses_compared": table_of("courses_compared", [
            {"among": "young_athletes", "arm_a": a, "arm_b": b, "category": "any_complication", "until_day": 730,
             "cases_a": 30, "events_a": 4, "deaths_a": 0, "cases_b": 31, "events_b": 16, "deaths_b": 1, "median_b": 412,
             "log_rank": 10.8, "p_log_rank": 0.001, "log_rank_within_age": 1.1, "p_within_age": 0.3, "primary": True},
            {"among": "young_athletes", "arm_a": a, "arm_b": b, "category": "infection", "until_day": 90,
             "cases_a": 30, "events_a": 1, "deaths_a": 0, "cases_b": 31, "events_b": 0, "deaths_b": 0, "primary": False},
        ]),
        "activity": table_of("activity", [
            {"site": site, "procedure": key, "operations": n, "cases": n, "complications_happened": 1,
             "complications_learned": 2, "awaiting": 0, "decisions": 3, "windows_closed": 1234}
            for site in ("harbour", "hill") for key, n in ((b, 4), (a, 3))
        ]),
        "flow": table_of("flow", [
            {"site": "all", "procedure": "all", "step": "received", "unit": "rows", "before": 0,
             "added": 60, "removed": 0, "after": 60},
            {"site": "all", "procedure": "all", "step": "held back", "unit": "rows", "before": 60,
             "added": 0, "removed": 4, "after": 56, "reason": "a finding"},
        ]),
        "ledger": table_of("ledger", [
            {"site": "harbour", "receipt": date(2026, 11, 3), "source_file": file, "table": "operations", "sha256": "0" * 64,
             "rows_read": 60, "accepted": 56, "quarantined": 4, "superseded": 0, "duplicate": 0, "withdrawn": 0,
             "non_data": 0, "not_selected": 0, "refused": 0, "removed": 0},
            {"site": "hill", "receipt": date(2026, 11, 2), "source_file": "received/hill/2026-11-02/events.csv",
             "sha256": "1" * 64,
             "rows_read": 9, "accepted": 0, "quarantined": 0, "superseded": 0, "duplicate": 0, "withdrawn": 0,
             "non_data": 0, "not_selected": 0, "refused": 9, "removed": 0, "reason": "file_truncated"},
        ]),
        "quarantine": table_of("quarantine", [
            {"site": "harbour", "source_file": file, "source_line": 17, "table": "operations", "record_id": "H-<17>",
             "column": "side", "rule": "value_unknown_word", "value": "=sinister", "message": "got a word that is not known",
             "new": True},
        ]),
        "repairs": table_of("repairs", []),
        "unattributed": table_of("unattributed", []),
        "quality": table_of("quality", [
            {"site": "harbour", "table": "operations", "column": "side", "dimension": "conformance", "rule": "value_unknown_word",
             "rows": 60, "failing": 1, "share": 1 / 60, "tolerance": 0.02, "verdict": "within tolerance"},
            {"site": "harbour", "table": "operations", "column": None, "dimension": "conformance", "rule": "row_ragged",
             "rows": 60, "failing": 0, "share": 0.0, "tolerance": 0.02, "verdict": "within tolerance"},
        ]),
        "quality_trend": table_of("quality_trend", [
            {"site": "harbour", "table": "operations", "column": None, "rule": "quarantined_share",
             "receipt": date(2026, month, 3), "rows": 60, "failing": n, "share": n / 60, "expected": 0.01,
             "limit_low": 0.0, "limit_high": 0.1, "outside": n > 6}
            for month, n in ((9, 1), (10, 0), (11, 8))
        ]),
        "quality_volume": table_of("quality_volume", [
            {"site": "harbour", "table": "operations", "receipt": date(2026, 10, 3), "rows": 50, "used": True},
            {"site": "harbour", "table": "operations", "receipt": date(2026, 11, 3), "rows": 60, "median": 50.0,
             "ratio": 1.2, "used": True},
        ]),
        "quality_lag": table_of("quality_lag", [
            {"site": "harbour", "table": "operations", "receipt": date(2026, 11, 3), "rows": 55, "median_days": 4,
             "days_90": 9, "late": 1, "longest_days": 160},
        ]),
        "review": table_of("review", [
            {"case_id": f"harbour.H{n}.L", "category": category if n % 2 else None,
             "why": "side unknown <b>&</b>" if n % 3 else "two candidates",
             "would_move": "rates", "evidence": f"received/harbour/2026-11-03/events.csv:{n}"}
            for n in range(6)
        ]),
        "surgeon_outcomes": table_of("surgeon_outcomes", chart_tables.SURGEONS),
        "risk_models": table_of("risk_models", chart_tables.RISK_MODELS),
        "event_free": table_of("event_free", chart_tables.event_free(a, b, category)),
        "charts": table_of("charts", chart_tables.charts(a, b)),
        "monitoring": table_of("monitoring", chart_tables.monitoring(a, b)),
        "volumes": table_of("volumes", chart_tables.volumes(a, b)),
        "cohorts": table_of("cohorts", [
            {**rate(a, "any_complication", "any", 365, cases, events, 0), "period": period, "closed": closed}
            for period, cases, events, closed in (("2024-11", 6, 3, True), ("2025-01", 10, 0, True), ("2025-02", 1, 1, False))
        ]),
        "benefit_and_harm": table_of("benefit_and_harm", chart_tables.benefit_and_harm(a, b)),
        "published_figures": table_of("published_figures", chart_tables.published_figures(category)),
        "quarantined/operations": pd.DataFrame({"operation_id": ["H-<17>"], "side": ["=sinister"]}),
    }  # fmt: skip


@pytest.fixture(scope="session")
def context(catalogue: Catalogue) -> Context:
    a, b = list(catalogue.procedures)[:2]
    settings = Settings(
        sites={
            "harbour": Site("harbour", "Harbour <Hospital> & Friends"),
            "hill": Site("hill", "مستشفى التل"),
        },
        groups={"young_athletes": Group("young_athletes", age_below=30)},
        primary=Primary(a, b, "any_complication", 365, among="young_athletes"),
    )
    found = findings.frame([
        {"site": "harbour", "source_file": "received/harbour/2026-11-03/operations.csv", "source_line": 17, "table": "operations",
         "record_id": "H-<17>", "column": "side", "rule": "value_unknown_word", "value": "=sinister", "message": "m"},
        {"site": "harbour", "source_file": "received/harbour/2026-11-03/operations.csv", "source_line": 18, "table": "operations",
         "record_id": "H-18", "column": "side", "rule": "word_translated", "value": "R", "message": "m"},
    ])  # fmt: skip
    return Context(
        period="2026-10", cut_on=CUT, as_of=AS_OF,
        sites=(
            SiteState("harbour", "Harbour <Hospital> & Friends", CUT, verdict="fit"),
            SiteState("hill", "مستشفى التل", date(2026, 10, 2), late=True, incomplete=("followups",)),
        ),
        settings=settings, catalogue=replace(catalogue, differs=("windows of <one> & category",)), version="0.1.0",
        inputs=(Input("audit.toml", "a" * 64),), found=found, for_senders=found,
        warnings=("hill is late.",),
        as_used={"audit.toml": b"contract = 1\n"}, versions={"pandas": "3.1.1"},
    )  # fmt: skip
