"""Names of periods and the last one that is over. Calendar facts, counted by hand."""

from datetime import date

import pytest

from pipeline.errors import WrongUse
from pipeline.periods import last_complete, parse_period, period_of


@pytest.mark.parametrize(
    ("name", "first", "last", "kind"),
    [
        ("2026-10", date(2026, 10, 1), date(2026, 10, 31), "month"),
        ("2026-12", date(2026, 12, 1), date(2026, 12, 31), "month"),
        ("2024-02", date(2024, 2, 1), date(2024, 2, 29), "month"),
        ("2026-Q1", date(2026, 1, 1), date(2026, 3, 31), "quarter"),
        ("2026-Q4", date(2026, 10, 1), date(2026, 12, 31), "quarter"),
        ("2026", date(2026, 1, 1), date(2026, 12, 31), "year"),
    ],
)
def test_a_name_means_its_days(name, first, last, kind):
    period = parse_period(name)
    assert (period.name, period.first_day, period.last_day, period.kind) == (name, first, last, kind)
    assert period_of(kind, first) == period_of(kind, last) == period


@pytest.mark.parametrize(
    "name",
    ["2026-13", "2026-00", "2026-1", "2026-Q5", "2026-Q0", "26-10", "October", "", "2026-10-01", "0026"],
)
def test_other_names_are_rejected_with_examples(name):
    with pytest.raises(WrongUse, match=r"is not a period. Write 2026-10 for a month"):
        parse_period(name)


@pytest.mark.parametrize(
    ("kind", "as_of", "name"),
    [
        ("month", date(2026, 10, 30), "2026-09"),
        ("month", date(2026, 10, 31), "2026-10"),
        ("month", date(2026, 1, 15), "2025-12"),
        ("quarter", date(2026, 12, 31), "2026-Q4"),
        ("quarter", date(2026, 12, 30), "2026-Q3"),
        ("quarter", date(2026, 2, 1), "2025-Q4"),
        ("year", date(2026, 12, 31), "2026"),
        ("year", date(2026, 12, 30), "2025"),
    ],
)
def test_last_complete_period(kind, as_of, name):
    assert last_complete(kind, as_of).name == name


def test_another_kind_is_rejected_with_a_suggestion():
    with pytest.raises(WrongUse, match=r"`monht` is not a kind of period.*Did you mean `month`"):
        last_complete("monht", date(2026, 1, 1))
