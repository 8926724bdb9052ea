"""Invented rows of the tables that only charts and their pages show."""

from __future__ import annotations


def surgeon(
    surgeon: str, cases: int, events: int, expected: float | None, where: str = "inside", **more: object
) -> dict[str, object]:
    """A row of `surgeon_outcomes` at 365 days; limits are whole events."""
    told = "outside" if where.startswith("outside") else where
    row: dict[str, object] = {
        "surgeon": surgeon, "category": "any_complication", "window_days": 365, "cases": cases, "events": events,
        "against_limits": where, "without_own_cases": where, "in_words": f"{events} of {cases} cases; {told}.",
    }  # fmt: skip
    if expected is not None:
        row |= {
            "followed_share": 1.0, "expected": expected, "ratio": events / expected, "ratio_ci_low": 0.1,
            "ratio_ci_high": 3.0, "limit_95_low": 0.0, "limit_95_high": 8 / cases, "limit_998_low": 0.0,
            "limit_998_high": 11 / cases, "note": "limits by chance",
        }  # fmt: skip
    return row | more


SURGEONS = [
    surgeon("harbour/S<2>", 40, 4, 3.9),
    surgeon("harbour/S10", 20, 9, 2.1, "outside_95", without_own_cases="outside_998"),
    surgeon("hill/ج1", 60, 15, 6.0, "outside_998"),
    surgeon("hill/S3", 9, 1, None, "too_few"),
    surgeon("unattributed", 12, 1, 1.2, steadied_ratio=None),
]
RISK_MODELS = [
    {
        "category": "any_complication", "window_days": 365, "method": "Firth's logistic regression",
        "why": "28 events for 21 coefficients: fewer than 10 for each", "cases": 141, "events": 30, "coefficients": 21,
        "lacking": 70, "concordance": 0.66, "concordance_low": 0.6, "concordance_high": 0.72,
        "calibration_intercept": -0.004, "calibration_slope": 0.87, "surgeons": 3,
    }
]  # fmt: skip


def course(
    procedure: str, category: str, days: list[tuple[int, int, int, int]], shares: list[tuple[float, float]]
) -> list[dict[str, object]]:
    """Rows of `event_free`: day, at risk, events, competing; share free, share that has had it; limits invented."""
    return [
        {
            "procedure": procedure, "category": category, "day": day, "at_risk": left, "events": had, "competing": died,
            "censored": 0, "event_free": free, "ci_low": free * 0.9, "ci_high": min(1.0, free * 1.05),
            "cumulative_incidence": share, "cif_ci_low": share * 0.5, "cif_ci_high": min(1.0, share * 1.8),
        }
        for (day, left, had, died), (free, share) in zip(days, shares, strict=True)
    ]  # fmt: skip


def event_free(a: str, b: str, category: str) -> list[dict[str, object]]:
    return [
        *course(a, "any_complication", [(0, 20, 0, 0), (73, 20, 2, 0), (365, 16, 1, 1), (730, 8, 0, 0)],
                [(1.0, 0.0), (0.9, 0.1), (0.78, 0.16), (0.78, 0.16)]),
        *course(b, "any_complication", [(0, 27, 0, 0), (365, 25, 0, 0)], [(1.0, 0.0), (1.0, 0.0)]),
        *course(a, category, [(0, 20, 0, 0), (365, 18, 0, 0)], [(1.0, 0.0), (1.0, 0.0)]),
    ]  # fmt: skip


def charts(a: str, b: str) -> list[dict[str, object]]:
    key = {"category": "any_complication", "window_days": 365}
    of_all = {"false_alarms_of_all": 0.42}
    return [
        {**key, "procedure": a, "site": "harbour", "cases": 5, "events": 3, "expected": 0.5, "limit": 1.5, "run_length": 1004.2,
         "run_length_if_doubled": 88.6, "checks": 1, "false_alarms_a_year": 0.01, **of_all},
        {**key, "procedure": b, "site": "harbour", "cases": 4, "events": 0, "expected": 0.4, "limit": 1.5, "run_length": 2000.0,
         "run_length_if_doubled": 99.0, "checks": 0, "false_alarms_a_year": 0.01, **of_all},
        {**key, "procedure": b, "site": "hill", "cases": 3, "events": 0, "expected": 0.3,
         "note": "no chart: fewer than 10 closed cases"},
    ]  # fmt: skip


def monitoring(a: str, b: str) -> list[dict[str, object]]:
    key = {
        "site": "harbour",
        "category": "any_complication",
        "window_days": 365,
        "limit": 1.5,
        "expected": 0.1,
    }
    first = [(0, 0.0, -0.1), (1, 0.6, 0.8), (1, 1.2, 1.7), (1, 1.8, 2.6), (0, 0.0, 2.5)]
    rows = [
        {**key, "procedure": a, "sequence": n, "period": "2024-11" if n < 4 else "2025-01", "outcome": had, "score": height,
         "asks_for_check": height >= 1.5, "observed_minus_expected": path, "maturing": n == 5}
        for n, (had, height, path) in enumerate(first, start=1)
    ]  # fmt: skip
    rows += [
        {**key, "procedure": b, "sequence": n, "period": "2024-12", "outcome": 0, "score": 0.0, "asks_for_check": False,
         "observed_minus_expected": -0.1 * n, "maturing": False}
        for n in range(1, 5)
    ]  # fmt: skip
    return rows


def volumes(a: str, b: str) -> list[dict[str, object]]:
    counted = [("2024-11", a, 3), ("2025-01", a, 5), ("2025-01", b, 2)]
    return [
        {"period": period, "procedure": key, "age_band": "0-24", "site": site, "cases": many}
        for period, key, many in counted
        for site in ("harbour", "hill")
    ]


def benefit_and_harm(a: str, b: str) -> list[dict[str, object]]:
    key = {
        "among": "young_athletes",
        "by": "procedure",
        "arm_a": a,
        "arm_b": b,
        "from_day": 0,
        "to_day": 365,
        "method": "m",
    }
    shares = {"figure": "share", "unit": "fraction", "n_a": 21, "n_b": 27, "unknown_a": 7, "unknown_b": 0}
    return [
        {**key, **shares, "line": 1, "kind": "harm", "outcome": "any_complication", "detail": "any", "counted_of": "closed",
         "events_a": 2, "events_b": 0, "estimate_a": 2 / 21, "a_ci_low": 0.03, "a_ci_high": 0.29, "estimate_b": 0.0,
         "b_ci_low": 0.0, "b_ci_high": 0.125, "difference": 0.095, "diff_ci_low": -0.044, "diff_ci_high": 0.289,
         "better": "lower", "primary": True, "verdict": "These counts cannot tell the two apart."},
        {**key, **shares, "line": 2, "kind": "benefit", "outcome": "same_or_higher", "counted_of": "asked", "events_a": 10,
         "events_b": 20, "estimate_a": 10 / 21, "a_ci_low": 0.28, "a_ci_high": 0.68, "estimate_b": 20 / 27, "b_ci_low": 0.55,
         "b_ci_high": 0.87, "difference": -0.26, "diff_ci_low": -0.5, "diff_ci_high": 0.01, "better": "higher",
         "primary": False, "verdict": "Descriptive, not tested."},
        {**key, "line": 3, "kind": "benefit", "outcome": "days_to_return", "counted_of": "told_a_day", "figure": "median",
         "unit": "days", "n_a": 8, "n_b": 15, "unknown_a": 0, "unknown_b": 0, "estimate_a": 233.0, "estimate_b": 240.5,
         "difference": -7.5, "better": "lower", "primary": False, "verdict": "Set side by side only."},
        {**key, "line": 4, "kind": "benefit", "outcome": "change", "detail": "knee_score", "counted_of": "read_twice",
         "figure": "mean_change", "unit": "as the measure", "n_a": 8, "n_b": 15, "unknown_a": 13, "unknown_b": 12,
         "estimate_a": 25.3, "a_ci_low": 20.0, "a_ci_high": 30.6, "estimate_b": 22.4, "b_ci_low": 18.0, "b_ci_high": 26.8,
         "difference": 2.9, "diff_ci_low": -4.1, "diff_ci_high": 9.9, "primary": False, "verdict": "Descriptive, not tested."},
    ]  # fmt: skip


def published_figures(category: str) -> list[dict[str, object]]:
    return [
        {"category": category, "events": 12, "cases": 240, "criterion": "what they counted <b>", "source": "Somebody 2020",
         "rate": 0.05, "ci_low": 0.03, "ci_high": 0.085},
        {"category": category, "criterion": "what several counted", "source": "Somebody 2021", "lowest": 0.02, "highest": 0.2},
    ]  # fmt: skip
