"""Receipts against those before them, counted by hand."""

from __future__ import annotations

from datetime import date

from pipeline.handover import DUPLICATE, KEPT, SUPERSEDED
from pipeline.settings import Settings, Site

FIRST, SECOND, THIRD = date(2026, 9, 1), date(2026, 10, 1), date(2026, 11, 1)
CHANGES = Settings(sites={"harbour": Site("harbour", sends="changes")})


def rows_of(count, faulty, **more):
    """`count` operations of which the first `faulty` say `?!` for the side."""
    return [
        {"operation_id": f"o{n}", "patient_id": f"p{n}", **({"side": "?!"} if n < faulty else {}), **more}
        for n in range(count)
    ]


def of_rule(table, rule):
    return table[table["rule"] == rule].reset_index(drop=True)


def test_the_first_export_has_no_trend(export, score):
    assert score(export("operations", *rows_of(40, 9))).tables["quality_trend"].empty


def test_expected_is_the_share_of_all_earlier_exports_of_changes(export, score):
    sent = [
        export("operations", *rows_of(40, bad), receipt=day)
        for day, bad in ((FIRST, 1), (SECOND, 3), (THIRD, 0))
    ]
    trend = of_rule(score(*sent, settings=CHANGES).tables["quality_trend"], "value_unknown_word")
    assert trend["receipt"].tolist() == [SECOND, THIRD]
    assert trend["expected"].tolist() == [1 / 40, 4 / 80]
    assert trend["failing"].tolist() == [3, 0]
    assert not trend["outside"].any()


def test_where_everything_is_sent_again_only_the_last_export_is_looked_back_to(export, score):
    sent = [
        export("operations", *rows_of(40, bad), receipt=day)
        for day, bad in ((FIRST, 1), (SECOND, 3), (THIRD, 3))
    ]
    trend = of_rule(score(*sent).tables["quality_trend"], "value_unknown_word")
    assert trend["expected"].tolist() == [1 / 40, 3 / 40]


def test_a_share_beyond_chance_is_outside_and_said_once_a_column(export, score):
    """None of 200 before: at most 1.8 % by the exact interval (rule of three: 1.5 %); 10 of 100 are far beyond."""
    sent = [
        export("operations", *rows_of(200, 0), receipt=FIRST),
        export("operations", *rows_of(100, 10), receipt=SECOND),
    ]
    found = score(*sent, settings=CHANGES)
    trend = of_rule(found.tables["quality_trend"], "value_unknown_word")
    assert trend[["rows", "failing", "expected", "limit_low", "outside"]].values.tolist() == [
        [100, 10, 0.0, 0.0, True]
    ]
    said = found.findings[found.findings["rule"] == "share_outside_limits"]
    assert said[["source_file", "column", "source_line"]].fillna(0).values.tolist() == [
        ["received/harbour/2026-10-01/operations.csv", "", 0],
        ["received/harbour/2026-10-01/operations.csv", "side", 0],
    ]
    assert all("10 of 100 rows" in text for text in said["message"])


def test_few_rows_raise_no_alarm(export, score):
    """Three of five after none of ten may be chance: an exact test of 0/10 against 3/5 gives p = 0.02 (Fisher, by hand)."""
    sent = [
        export("operations", *rows_of(10, 0), receipt=FIRST),
        export("operations", *rows_of(5, 3), receipt=SECOND),
    ]
    found = score(*sent, settings=CHANGES)
    assert not found.tables["quality_trend"]["outside"].any()
    assert "share_outside_limits" not in set(found.findings["rule"])


def test_fewer_faults_than_before_are_no_finding(export, score):
    sent = [
        export("operations", *rows_of(200, 100), receipt=FIRST),
        export("operations", *rows_of(200, 0), receipt=SECOND),
    ]
    found = score(*sent, settings=CHANGES)
    assert of_rule(found.tables["quality_trend"], "value_unknown_word")["outside"].tolist() == [True]
    assert "share_outside_limits" not in set(found.findings["rule"])


def test_a_column_left_empty_from_now_on_is_outside(export, score):
    before = rows_of(60, 0, surgeon_id="s1")
    sent = [
        export("operations", *before, receipt=FIRST),
        export("operations", *rows_of(30, 0), receipt=SECOND),
    ]
    trend = of_rule(score(*sent, settings=CHANGES).tables["quality_trend"], "value_empty")
    assert trend[["column", "failing", "rows", "expected", "outside"]].values.tolist() == [
        ["surgeon_id", 30, 30, 0.0, True]
    ]


def test_volume_stands_against_the_median_of_the_eight_before(export, score):
    days = [date(2026, 1, day) for day in range(1, 11)]
    counts = [100, 2, 4, 6, 8, 10, 12, 14, 16, 9]
    sent = [export("operations", *rows_of(n, 0), receipt=day) for day, n in zip(days, counts, strict=True)]
    volume = score(*sent, settings=CHANGES).tables["quality_volume"]
    assert volume["rows"].tolist() == counts
    assert volume["median"].isna().tolist() == [True] + [False] * 9
    # before the ninth: 100 2 4 6 8 10 12 14, middle 8 and 10; before the tenth: 2 4 6 8 10 12 14 16, middle 8 and 10
    assert volume["median"].tolist()[-2:] == [9.0, 9.0]
    assert volume["ratio"].tolist()[-1] == 1.0


def test_lag_runs_to_the_time_of_writing_or_else_to_the_receipt(export, score):
    written = [
        {"event_id": f"e{n}", "occurred_on": "2026-04-01", "recorded_at": f"2026-04-{1 + n:02d}T09:00:00"}
        for n in range(5)
    ]
    later = [
        {"event_id": "e8", "occurred_on": "2026-10-22"},
        {"event_id": "e9", "occurred_on": "2026-04-04"},
    ]
    sent = [
        export("events", *written, {"event_id": "e7"}, receipt=FIRST),
        export("events", *later, receipt=THIRD),
    ]
    lag = score(*sent, settings=CHANGES).tables["quality_lag"]
    # the sixth row of the first receipt has no time of writing: its lag is not known. 2026-04-04 to 2026-11-01: 211 days
    assert lag[["rows", "median_days", "days_90", "late", "longest_days"]].values.tolist() == [
        [5, 2, 4, 0, 4],
        [2, 10, 211, 1, 211],
    ]
    late = of_rule(score(*sent, settings=CHANGES).tables["quality"], "recorded_late")
    assert late[["column", "rows", "failing"]].values.tolist() == [["occurred_on", 7, 1]]


def test_a_correction_is_not_late(export, score):
    first = export("events", {"occurred_on": "2025-04-03"}, receipt=FIRST)
    again = export("events", {"occurred_on": "2025-04-03", "code": "M25.6"}, {"event_id": "e2", "occurred_on": "2025-04-03"},
                   receipt=THIRD)  # fmt: skip
    lag = score(first, again, fates={"events": [SUPERSEDED, KEPT, KEPT]}).tables["quality_lag"]
    assert lag[["rows", "late"]].values.tolist() == [[1, 1]]


def test_a_correction_that_was_taken_back_is_not_late_either(export, score):
    """Without `recorded_at`: sent, sent otherwise, sent as at first. Neither later version is new."""
    sent = [
        export("followups", {"pain": pain}, receipt=day)
        for pain, day in (("1", FIRST), ("0", SECOND), ("1", THIRD))
    ]
    fates = {"followups": [SUPERSEDED, SUPERSEDED, KEPT]}
    assert score(*sent, fates=fates).tables["quality_lag"].empty


def test_sites_with_shifted_days_have_no_lag(export, score):
    settings = Settings(sites={"harbour": Site("harbour", dates="shifted")})
    sent = [export("events", {"recorded_at": "2026-05-01T10:00:00"})]
    assert score(*sent, settings=settings).tables["quality_lag"].empty


def test_repeats_count_where_nothing_asks_for_them(export, score):
    """A site of changes repeats one row; a site of everything repeats its records, and one within a receipt."""
    sent = [
        export("operations", *rows_of(3, 0), receipt=FIRST),
        export("operations", {"operation_id": "o0", "patient_id": "p0"}, *rows_of(3, 0), receipt=SECOND),
    ]
    fates = {"operations": [KEPT, KEPT, KEPT, DUPLICATE, DUPLICATE, DUPLICATE, DUPLICATE]}
    for settings, expected in ((CHANGES, 4), (Settings(), 1)):
        quality = score(*sent, settings=settings, fates=fates).tables["quality"]
        assert of_rule(quality, "record_duplicate")["failing"].tolist() == [expected]
