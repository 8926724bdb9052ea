"""The rule of docs/quality.md, case by case. It is our decision; no source."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from pipeline import findings
from pipeline.settings import Settings, Site, Tolerance

FIRST, SECOND = date(2026, 9, 1), date(2026, 10, 1)


def verdict(scored):
    return scored.verdicts["harbour"]


def test_a_clean_site_is_fit(export, score, reach):
    assert verdict(score(export("operations", {}), reached=[reach()])).word == "fit"
    assert verdict(score(export("operations", {}), reached=[reach()])).reasons == ()


@pytest.mark.parametrize(
    ("state", "word", "reason"),
    [
        ({"data_until": None}, "not_fit_for_comparison", "nothing usable was sent"),
        ({"incomplete": ("followups",)}, "not_fit_for_comparison", "followups were never sent in a usable form"),
        ({"over_tolerance": ("events",)}, "not_fit_for_comparison",
         "more rows of events than tolerated are held back in the newest receipt"),
        ({"over_tolerance": ("measurements",)}, "fit_with_reservations",
         "more rows of measurements than tolerated are held back in the newest receipt"),
        ({"late": True}, "fit_with_reservations", "its newest export is late"),
        ({"site": Site("harbour", dates="shifted")}, "fit_with_reservations",
         "its days are shifted or numbered, so that order and season cannot be checked"),
    ],
)  # fmt: skip
def test_what_is_known_of_the_site(export, score, reach, state, word, reason):
    told = verdict(score(export("operations", {}), reached=[reach(**state)]))
    assert (told.word, told.reasons) == (word, (reason,))


@pytest.mark.parametrize(
    ("table", "word"), [("operations", "not_fit_for_comparison"), ("patients", "fit_with_reservations")]
)
def test_a_file_that_is_not_used_and_not_followed(export, score, reach, table, word):
    source = replace(export("operations", {}).source, table=table, receipt=SECOND, refused=9, rows_read=9,
                     reason="file_truncated", source_file=f"received/harbour/2026-10-01/{table}.csv")  # fmt: skip
    told = verdict(score(export("operations", {}, receipt=FIRST), reached=[reach()], sources=[source]))
    assert told.word == word
    assert "the file breaks off" in told.reasons[0]


def test_a_file_that_was_followed_by_a_good_one_is_forgotten(export, score, reach):
    source = replace(
        export("operations", {}).source, receipt=FIRST, refused=9, rows_read=9, reason="file_truncated"
    )
    told = verdict(score(export("operations", {}, receipt=SECOND), reached=[reach()], sources=[source]))
    assert told.word == "fit"


def test_a_rule_over_its_tolerance(export, score, reach):
    settings = Settings(tolerance=Tolerance(quarantined_share=0.9), tolerance_of_rule={"value_missing": 0.3})
    rows = [{"side": None}, {}]
    told = verdict(score(export("operations", *rows), settings=settings, reached=[reach()]))
    assert (told.word, told.reasons) == (
        "fit_with_reservations", ("a required value is missing in side of operations: 1 of 2, more than tolerated",),
    )  # fmt: skip


def test_a_record_that_is_gone(export, score, reach):
    gone = findings.frame([
        {"site": "harbour", "source_file": "received/harbour/2026-11-01/operations.csv", "table": "operations",
         "record_id": "o9", "rule": "records_vanished", "message": "m"},
    ])  # fmt: skip
    rows = [{"operation_id": f"o{n}"} for n in range(200)]
    scored = score(export("operations", *rows), found=gone, reached=[reach()])
    assert verdict(scored).word == "fit_with_reservations"
    assert verdict(scored).reasons == ("1 record of operations sent before is no longer sent",)
    quality = scored.tables["quality"]
    own = quality[quality["rule"] == "records_vanished"]
    assert own[["rows", "failing", "tolerance", "verdict"]].values.tolist() == [
        [200, 1, 0.01, "within tolerance"]
    ]


def test_a_share_outside_its_limits_matters_in_the_newest_receipt_only(export, score, reach):
    def sent(day, count, bad):
        rows = [{"operation_id": f"{day}-{n}", **({"side": "?!"} if n < bad else {})} for n in range(count)]
        return export("operations", *rows, receipt=day)

    settings = Settings(
        sites={"harbour": Site("harbour", sends="changes")}, tolerance=Tolerance(quarantined_share=0.9)
    )
    early, bad, good = sent(date(2026, 8, 1), 300, 0), sent(FIRST, 100, 20), sent(SECOND, 100, 0)
    assert verdict(score(early, bad, settings=settings, reached=[reach()])).word == "fit_with_reservations"
    assert verdict(score(early, bad, good, settings=settings, reached=[reach()])).word == "fit"


def test_a_fault_that_a_whole_export_mended_is_no_reservation(export, score, reach):
    """10 of 40 rows of the first export are held back, none of 40 of the second: over both 12.5 %, tolerated 2 %."""
    rows = [{"operation_id": f"o{n}", "patient_id": f"p{n}"} for n in range(40)]
    bad = [{**row, "side": ""} if n < 10 else row for n, row in enumerate(rows)]
    sent = export("operations", *bad, receipt=FIRST), export("operations", *rows, receipt=SECOND)
    for sends, word in (("everything", "fit"), ("changes", "fit_with_reservations")):
        site = Site("harbour", sends=sends)
        told = score(*sent, settings=Settings(sites={"harbour": site}), reached=[reach(site=site)])
        assert verdict(told).word == word


def test_what_is_held_back_is_said_once(export, score, reach):
    bad = export("operations", {}, {"operation_id": "o2", "side": ""})
    told = verdict(score(bad, reached=[reach(over_tolerance=("operations",))]))
    assert told.reasons == ("more rows of operations than tolerated are held back in the newest receipt",)


@pytest.mark.parametrize(("rows", "word"), [(1, "fit_with_reservations"), (0, "fit")])
def test_a_receipt_of_the_very_same_files(export, score, reach, rows, word):
    """A header alone says that nothing changed; it repeats nothing."""
    first, second = (export("operations", {}, receipt=day) for day in (FIRST, SECOND))
    same = replace(second, source=replace(second.source, sha256=first.source.sha256, rows_read=rows))
    told = score(first, same, reached=[reach()])
    assert verdict(told).word == word
    said = told.findings[told.findings["rule"] == "receipt_repeated"]
    assert said["source_file"].tolist() == [same.source.source_file] * rows
