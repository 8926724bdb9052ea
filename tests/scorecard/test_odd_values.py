"""Columns that hardly vary, and codes and words never seen before."""

from __future__ import annotations

from datetime import date

from pipeline.handover import DUPLICATE, KEPT, SUPERSEDED
from pipeline.settings import Settings, Site

FIRST, SECOND = date(2026, 9, 1), date(2026, 10, 1)
SETTINGS = Settings(sites={name: Site(name, sends="changes") for name in ("harbour", "quay")})


def visits(count, pain, prefix="f"):
    """Visits with the pains given, over and over."""
    return [{"followup_id": f"{prefix}{n}", "pain": pain[n % len(pain)]} for n in range(count)]


def said(found, rule):
    own = found.findings[found.findings["rule"] == rule]
    return own[["site", "source_file", "source_line", "table", "column", "value"]].values.tolist()


def test_a_number_that_varied_and_now_is_one_value(export, score):
    before = export("followups", *visits(40, "0135"), receipt=FIRST)
    now = export("followups", *visits(30, "0", "g"), receipt=SECOND)
    found = score(before, now, settings=SETTINGS)
    file = "received/harbour/2026-10-01/followups.csv"
    assert said(found, "column_constant") == [["harbour", file, 2, "followups", "pain", ""]]
    assert "30 of 30 filled rows" in found.findings["message"].iloc[0]


def test_a_month_of_one_number_does_not_make_the_next_month_odd(export, score):
    sent = [
        export("followups", *visits(40, "0135"), receipt=FIRST),
        export("followups", *visits(40, "0", "g"), receipt=SECOND),
        export("followups", *visits(40, "1357", "h"), receipt=date(2026, 11, 1)),
    ]
    files = [row[1] for row in said(score(*sent, settings=SETTINGS), "column_constant")]
    assert files == ["received/harbour/2026-10-01/followups.csv"]


def test_nineteen_rows_are_too_few(export, score):
    before = export("followups", *visits(40, "0135"), receipt=FIRST)
    assert said(score(before, export("followups", *visits(19, "0", "g"), receipt=SECOND), settings=SETTINGS),
                "column_constant") == []  # fmt: skip


def test_a_column_that_never_varied_is_no_news(export, score):
    sent = [
        export("followups", *visits(40, "0"), receipt=FIRST),
        export("followups", *visits(40, "0", "g"), receipt=SECOND),
    ]
    assert said(score(*sent, settings=SETTINGS), "column_constant") == []


def test_a_first_export_is_held_against_other_sites(export, score):
    sent = [export("followups", *visits(40, "0")), export("followups", *visits(40, "0135"), site="quay")]
    found = score(*sent, settings=SETTINGS)
    assert [row[0] for row in said(found, "column_constant")] == ["harbour"]
    assert said(score(sent[0], settings=SETTINGS), "column_constant") == []


def operations(count, code, prefix):
    return [{"operation_id": f"{prefix}{n}", "procedure_code": code} for n in range(count)]


def test_a_code_no_export_before_held(export, score):
    sent = [
        export("operations", *operations(30, "AB01", "a"), receipt=FIRST),
        export("operations", *operations(5, "AB01", "b"), *operations(2, "XY99", "c"), receipt=SECOND),
    ]
    found = score(*sent, settings=SETTINGS)
    file = "received/harbour/2026-10-01/operations.csv"
    assert said(found, "value_new") == [["harbour", file, 7, "operations", "procedure_code", "XY99"]]
    assert "2 rows hold a value that none of 30 rows" in found.findings["message"].iloc[0]
    assert "XY99" not in found.findings["message"].iloc[0]


def test_words_of_the_contract_are_news_only_beyond_chance(export, score):
    """One `moved` after thirty visits is chance; ten of twenty are not."""
    before = export("followups", *visits(30, "0135"), receipt=FIRST)
    for moved, expected in ((1, []), (10, ["status"])):
        now = [{"followup_id": f"g{n}", "status": "moved" if n < moved else "seen"} for n in range(20)]
        found = score(before, export("followups", *now, receipt=SECOND), settings=SETTINGS)
        assert [row[4] for row in said(found, "value_new")] == expected


def moved(days, count=25):
    """Operations o0, o1, … on the third of March, or so many days after it."""
    return [
        {"operation_id": f"o{n}", "patient_id": f"p{n}", "performed_on": f"2025-03-{3 + days:02}"}
        for n in range(count)
    ]


def scored_again(export, score, *changes, sends="everything", rows=25):
    """The findings `records_changed` about operations that came once, and then again as `changes` say."""
    sent = (
        export("operations", *moved(0, rows), receipt=FIRST),
        export("operations", *changes, receipt=SECOND),
    )
    same = [fate for n in range(rows) for fate in [KEPT if changes[n] == moved(0, rows)[n] else SUPERSEDED]]
    later = [DUPLICATE if fate == KEPT else KEPT for fate in same]
    settings = Settings(sites={"harbour": Site("harbour", sends=sends)})
    found = score(*sent, settings=settings, fates={"operations": [*same, *later]}).findings
    return found[found["rule"] == "records_changed"]


def test_days_that_move_for_all_records(export, score):
    """A time zone that moves every day by one."""
    told = scored_again(export, score, *moved(-1))
    assert told[["column", "table"]].values.tolist() == [["performed_on", "operations"]]
    assert (
        "25 of 25 records say otherwise than when they were sent before, each 1 day earlier."
        in told["message"].iloc[0]
    )


def test_a_few_corrections_and_lists_of_changes_are_no_news(export, score):
    """Nineteen of twenty-five are too few by our limit of twenty."""
    assert scored_again(export, score, *moved(1)[:19], *moved(0)[19:]).empty
    assert scored_again(export, score, *moved(1), sends="changes").empty


def test_cells_that_are_filled_later_are_no_change(export, score):
    assert scored_again(export, score, *({**row, "bmi": "24"} for row in moved(0))).empty


def test_a_change_that_is_taken_back_is_told_once(export, score):
    sent = [
        export("operations", *moved(days), receipt=day)
        for days, day in ((0, FIRST), (1, SECOND), (0, date(2026, 11, 1)))
    ]
    fates = {"operations": [*[SUPERSEDED] * 50, *[KEPT] * 25]}
    settings = Settings(sites={"harbour": Site("harbour", sends="everything")})
    found = score(*sent, settings=settings, fates=fates).findings
    told = found[found["rule"] == "records_changed"]
    assert told["source_file"].tolist() == ["received/harbour/2026-10-01/operations.csv"]
