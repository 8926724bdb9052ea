"""The lists behind the numbers of the twelve courses hold just the cases that were counted by hand.

Who belongs to which list was written down from the courses (`test_twelve_courses.py`), not from the program.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest

L, U, BOTH = "ligament-reconstruction", "tubercle-transfer", "ligament-reconstruction-tubercle-transfer"
ANY = "any-complication"
#: Page, list → case and, where something happened, its day after the operation.
BY_HAND: dict[tuple[str, str], dict[str, str]] = {
    (f"{L}-{ANY}", "events-any-365"): {
        "harbour.H02.L": "41", "harbour.H03.R": "100", "harbour.H06.R": "150", "harbour.H09.L": "12",
    },
    (f"{L}-{ANY}", "events-any-90"): {"harbour.H02.L": "41", "harbour.H09.L": "12"},
    (f"{L}-{ANY}", "lost-365"): {"harbour.H11.L": ""},
    (f"{L}-365", "cases-365"): dict.fromkeys(
        [f"harbour.{case}" for case in ("H01.R", "H02.L", "H03.R", "H06.R", "H09.L", "H09.R", "H11.L")], ""
    ),
    (f"{U}-{ANY}", "events-any-365"): {"harbour.H04.L": "300", "harbour.H07.L": "95", "harbour.H08.R": "20"},
    (f"{L}-revision", "events-any-return-365"): {"harbour.H02.L": "43", "harbour.H03.R": "200"},
    (f"{U}-revision", "events-redone-365"): {"harbour.H07.L": "260"},
    (f"{BOTH}-stiffness", "awaiting-persistent-365"): {"harbour.H12a.R": "130"},
}  # fmt: skip


@pytest.fixture(scope="module")
def lists(audit: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("twelve")
    shutil.copytree(Path(__file__).parent / "twelve_courses", place / "audit")
    edition = audit(place / "audit", place / "out", "--period", "2026-10")
    return Path(edition.department / "report" / "lists")


@pytest.mark.parametrize("where", BY_HAND, ids=" ".join)
def test_a_list_holds_the_cases_counted_by_hand(lists: Path, where: tuple[str, str]) -> None:
    page, section = where
    markup = (lists / f"{page}.html").read_text("utf-8")
    own = markup.partition(f'<h2 id="{section}">')[2].partition("</table>")[0]
    rows = re.findall(r'<tr><th scope="row">([^<]+)</th>(.*?)</tr>', own)
    told = {case: re.findall(r"<td[^>]*>(.*?)</td>", cells)[3] for case, cells in rows}
    wanted = BY_HAND[where]
    assert len(rows) == len(told)
    assert list(told) == sorted(wanted)
    assert {case: told[case] for case, day in wanted.items() if day} == {
        case: day for case, day in wanted.items() if day
    }


def test_a_row_says_which_complications_make_it_any(lists: Path) -> None:
    markup = (lists / f"{L}-{ANY}.html").read_text("utf-8")
    row = re.search(r"harbour\.H02\.L</th>.*?</tr>", markup.partition('id="events-any-365"')[2])
    assert row
    assert "Fracture at the fixation site; Revision" in row[0]
    assert "/events.csv:" in row[0]
