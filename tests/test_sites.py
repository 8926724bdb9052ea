"""How far a site's records reach, who is late, and what is said of it. Cut on 2026-10-31."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.findings import empty, frame
from pipeline.handover import CONFLICTING, KEPT, Accepted, Source, Validated
from pipeline.settings import Settings, Site, Tolerance
from pipeline.sites import Reach, about_sites, known_until, newest_receipts, reaches, warnings
from schemas.exports import EXPORTS

CUT = date(2026, 10, 31)
AS_OF = date(2026, 11, 9)
NOVEMBER, LATER, BEFORE = date(2026, 11, 2), date(2026, 11, 4), date(2026, 10, 20)
REQUIRED = ("operations", "events", "followups")

Sent = tuple[str, date]


def file(
    table: str, receipt: date, site: str = "harbour", reason: str = "", name: str = "", kept: int = 1, held: int = 0,
    of: str = "",
) -> dict[str, Any]:  # fmt: skip
    """A file with its accepted and held-back rows; `of` names the site of its rows if that is another."""
    place = f"received/{site}/{receipt}/{name or table or 'unknown'}.csv"
    source = Source(
        site, receipt, place, "", table, place, refused=1 if reason and table else 0, reason=reason
    )
    return {"source": source, "kept": 0 if reason else kept, "held": held, "of": of or site}


def validated(*files: dict[str, Any]) -> Validated:
    def rows(table: str, place: str) -> pa.Table:
        own = [
            (n, each)
            for n, each in enumerate(files)
            if each["source"].table == table
            for _ in range(each[place])
        ]
        return pa.table(
            {
                "site": pa.array([each["of"] for _, each in own], pa.string()),
                "source_number": pa.array([n for n, _ in own], pa.int32()),
            }
        )

    return Validated(
        Accepted(tuple(each["source"] for each in files), {table: rows(table, "kept") for table in EXPORTS}),
        {table: rows(table, "held") for table in EXPORTS},
        empty(), empty(),
    )  # fmt: skip


def reached_of(
    checked: Validated, settings: Settings, cut: date = CUT, as_of: date = AS_OF, conflicting: int = 0
) -> tuple[Reach, ...]:
    """`conflicting`: so many accepted rows of each table are held back as versions that contradict each other."""
    fates = {name: np.full(len(table), KEPT) for name, table in checked.accepted.tables.items()}
    for fate in fates.values():
        fate[:conflicting] = CONFLICTING
    return reaches(checked, fates, settings, cut, as_of)


def all_three(receipt: date, **change: Any) -> list[dict[str, Any]]:
    return [file(table, receipt, **change) for table in REQUIRED]


def reach(
    *files: dict[str, Any],
    as_of: date = AS_OF,
    cut: date = CUT,
    settings: Settings | None = None,
    **site: Any,
) -> Reach:
    asked = settings or Settings(sites={"harbour": Site("harbour", **site)}, sites_listed=True)
    return reached_of(validated(*files), asked, cut, as_of)[0]


# ------------------------------------------------------------------------------------------------ data_until


def test_records_reach_the_cut_when_every_required_table_came_after_it() -> None:
    assert reach(*all_three(NOVEMBER)).data_until == CUT


def test_the_oldest_required_table_decides() -> None:
    files = [file("operations", NOVEMBER), file("events", BEFORE), file("followups", NOVEMBER)]
    assert reach(*files).data_until == BEFORE
    assert reach(*files, file("events", LATER)).data_until == CUT


def test_a_required_table_that_did_not_come_with_the_others_is_behind() -> None:
    """The site is not late: something came after the cut. A refused file of the table is told of already."""
    files = [file("operations", NOVEMBER), file("events", BEFORE), file("followups", NOVEMBER)]
    found = reach(*files, due_day=5)
    assert (found.late, found.behind) == (False, ("events",))
    assert about_sites((found,))[["table", "rule"]].to_numpy().tolist() == [["events", "table_behind"]]
    assert reach(*files, due_day=20).behind == ()
    assert reach(*files, file("events", LATER, kept=0)).behind == ()
    assert reach(*files, file("events", NOVEMBER, reason="file_truncated")).behind == ()
    assert reach(*all_three(BEFORE), due_day=5).behind == ()
    assert reach(*files, data_until=CUT).behind == ()


def test_tables_that_are_not_required_do_not_matter() -> None:
    assert reach(*all_three(NOVEMBER), file("measurements", BEFORE)).data_until == CUT
    assert (
        reach(*all_three(NOVEMBER), file("events", BEFORE, name="old"), required=("operations",)).data_until
        == CUT
    )


def test_what_is_stated_comes_before_what_arrived() -> None:
    stated = date(2026, 9, 30)
    assert reach(*all_three(NOVEMBER), data_until=stated).data_until == stated
    assert reach(*all_three(NOVEMBER), data_until=date(2026, 12, 31)).data_until == CUT


def test_a_refused_file_is_no_receipt() -> None:
    refused = file("events", NOVEMBER, reason="file_truncated")
    assert (
        reach(
            file("operations", NOVEMBER), file("events", BEFORE), file("followups", NOVEMBER), refused
        ).data_until
        == BEFORE
    )


def test_a_file_without_rows_is_a_receipt() -> None:
    """Only a header: no changes."""
    files = [
        file("operations", NOVEMBER),
        file("events", BEFORE),
        file("events", LATER, kept=0),
        file("followups", NOVEMBER),
    ]
    assert reach(*files).data_until == CUT


def test_a_site_that_sent_nothing_reaches_nowhere() -> None:
    found = reach()
    assert (found.data_until, found.incomplete) == (None, REQUIRED)


def test_rows_may_name_another_site_than_their_folder() -> None:
    newest = newest_receipts(validated(file("operations", NOVEMBER, of="meadow")).accepted)
    assert newest[("meadow", "operations")] == NOVEMBER


def test_without_a_list_every_folder_is_a_site() -> None:
    checked = validated(*all_three(NOVEMBER, site="meadow"), *all_three(NOVEMBER))
    assert [each.site.site_id for each in reached_of(checked, Settings())] == ["harbour", "meadow"]


def test_a_listed_site_that_sent_nothing_is_there() -> None:
    asked = Settings(sites={name: Site(name) for name in ("meadow", "harbour")}, sites_listed=True)
    found = reached_of(validated(*all_three(NOVEMBER)), asked)
    assert [(each.site.site_id, each.data_until) for each in found] == [("harbour", CUT), ("meadow", None)]


def test_known_until_in_days() -> None:
    found = reached_of(validated(*all_three(NOVEMBER)), Settings())
    days = known_until(("harbour", "meadow"), found, CUT)
    assert days[0] == (CUT - date(1970, 1, 1)).days
    assert days[1] < 0, "before every day"


# -------------------------------------------------------------------------------------------------- lateness


@pytest.mark.parametrize(
    ("receipt", "as_of", "due_day", "late"),
    [
        (BEFORE, date(2026, 11, 3), 2, True),
        (BEFORE, date(2026, 11, 2), 2, False),
        (CUT, date(2026, 11, 3), 2, True),
        (date(2026, 11, 1), date(2026, 11, 3), 2, False),
        (BEFORE, date(2026, 11, 30), None, False),
    ],
    ids=["due day has passed", "it is the due day", "sent on the cut", "sent after the cut", "no due day"],
)
def test_late_means_nothing_after_the_cut_once_the_due_day_has_passed(
    receipt: date, as_of: date, due_day: int | None, late: bool
) -> None:
    assert reach(*all_three(receipt), as_of=as_of, due_day=due_day).late == late


def test_the_due_day_of_december_is_in_january() -> None:
    files, cut = all_three(date(2026, 12, 5)), date(2026, 12, 31)
    assert not reach(*files, cut=cut, as_of=date(2027, 1, 4), due_day=4).late
    assert reach(*files, cut=cut, as_of=date(2027, 1, 5), due_day=4).late


def test_a_refused_file_does_not_end_lateness() -> None:
    files = [*all_three(BEFORE), file("operations", NOVEMBER, reason="file_truncated")]
    assert reach(*files, due_day=2).late


def test_a_site_that_never_sent_anything_is_late() -> None:
    assert reach(due_day=2).late


# --------------------------------------------------------------------------------------------- incompleteness


def test_a_required_table_never_sent_makes_the_site_incomplete_and_is_not_waited_for() -> None:
    found = reach(file("operations", NOVEMBER), file("followups", NOVEMBER))
    assert (found.incomplete, found.data_until) == (("events",), CUT)


def test_required_is_a_setting() -> None:
    assert reach(file("operations", NOVEMBER), required=("operations",)).incomplete == ()


# -------------------------------------------------------------------------------------------------- tolerance


@pytest.mark.parametrize(
    ("kept", "held", "over"), [(98, 2, False), (97, 3, True), (49, 1, False), (0, 1, True)]
)
def test_more_than_two_in_a_hundred_held_back_is_over_tolerance(kept: int, held: int, over: bool) -> None:
    files = [
        file("operations", NOVEMBER),
        file("events", NOVEMBER, kept=kept, held=held),
        file("followups", NOVEMBER),
    ]
    assert reach(*files).over_tolerance == (("events",) if over else ())


def test_versions_that_contradict_each_other_are_held_back_too() -> None:
    checked = validated(*all_three(NOVEMBER, kept=99, held=1))
    assert reached_of(checked, Settings(), conflicting=1)[0].over_tolerance == ()
    assert reached_of(checked, Settings(), conflicting=2)[0].over_tolerance == tuple(sorted(REQUIRED))


def test_only_the_newest_receipt_is_looked_at() -> None:
    old, new = file("events", BEFORE, held=5), file("events", NOVEMBER, kept=5)
    assert reach(file("operations", NOVEMBER), old, new, file("followups", NOVEMBER)).over_tolerance == ()


def test_the_share_is_a_setting() -> None:
    asked = Settings(tolerance=Tolerance(quarantined_share=0.5))
    assert reach(*all_three(NOVEMBER, kept=1, held=1), settings=asked).over_tolerance == ()
    assert reach(*all_three(NOVEMBER, kept=1, held=2), settings=asked).over_tolerance == tuple(
        sorted(REQUIRED)
    )


# --------------------------------------------------------------------------------------------------- warnings


def told(*files: dict[str, Any], found: pd.DataFrame | None = None, **site: Any) -> tuple[str, ...]:
    checked = validated(*files)
    asked = Settings(sites={"harbour": Site("harbour", **site)}, sites_listed=True)
    return warnings(reached_of(checked, asked), checked, empty() if found is None else found)


def test_all_in_order_says_nothing() -> None:
    assert told(*all_three(NOVEMBER), due_day=2) == ()


def test_late_incomplete_and_over_tolerance_are_said_by_name() -> None:
    said = told(file("operations", BEFORE, held=1), due_day=2)
    assert len(said) == 3
    assert all("harbour" in sentence for sentence in said)
    assert any("late" in sentence for sentence in said)
    assert any("events, followups" in sentence for sentence in said)
    assert any("operations" in sentence and "held back" in sentence for sentence in said)


def test_a_site_that_has_a_name_is_called_by_it() -> None:
    said = told(file("operations", BEFORE, held=1), due_day=2, name="Harbour Hospital")
    assert [sentence.startswith("Harbour Hospital") for sentence in said] == [True] * 3


@pytest.mark.parametrize(
    ("files", "missed"),
    [
        ([file("events", LATER, reason="file_truncated")], ["events"]),
        ([file("events", BEFORE, reason="file_truncated")], []),
        ([file("", LATER, reason="file_unmapped")], ["unknown"]),
        ([file("events", NOVEMBER, reason="file_truncated", name="a")], []),
        ([file("events", NOVEMBER, reason="file_truncated", name="z")], ["z"]),
        ([file("events", LATER, reason="site_not_listed")], []),
    ],
    ids=[
        "refused",
        "a newer one was used",
        "unclaimed",
        "same day, another used",
        "the newest of the day",
        "not ours",
    ],
)
def test_a_file_that_is_not_used_is_said_unless_a_newer_one_was(
    files: list[dict[str, Any]], missed: list[str]
) -> None:
    said = told(*all_three(NOVEMBER), *files)
    assert len(said) == len(missed)
    assert all(f"{name}.csv is not used" in sentence for name, sentence in zip(missed, said, strict=True))


def test_a_folder_of_no_listed_site_is_said() -> None:
    found = frame([{"site": "meadow", "rule": "site_not_listed", "message": "…"}])
    assert told(*all_three(NOVEMBER), found=found) == ("meadow has a folder but is not in audit.toml.",)
