"""The printed handout: figures counted by hand, nothing that names a surgeon or a day, and a file a screen reader follows."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pdfua
import pikepdf
import pypdfium2
import pytest

from pipeline.publish import Context, SiteState, words
from pipeline.publish.context import Signature
from pipeline.publish.handout import MOST_PAGES, NEEDS, handout, handout_content
from pipeline.publish.handout_comparison import NOT_STATED, _note, stated_comparison
from pipeline.publish.numbers import Register
from pipeline.publish.period_cases import period_complications
from pipeline.publish.typesetting import NO_GLYPH, fitting, isolated, pages_of
from pipeline.settings import Handout
from schemas.published import PUBLISHED

Tables = dict[str, pd.DataFrame]
TWELVE = Path(__file__).resolve().parents[1] / "journeys" / "twelve_courses"
WRITTEN_DAY = re.compile(rf"\d{{1,2}} (?:{'|'.join(words.MONTHS)}) \d{{4}}")
A4, LETTER = (595, 842), (612, 792)  # points


def pages(pdf: bytes) -> list[str]:
    """The text of each page, its runs of blanks and line ends as one blank."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        texts = [page.get_textpage().get_text_range() for page in document]
    finally:
        document.close()
    return [" ".join(text.replace("\u00a0", " ").replace("\u2009", " ").split()) for text in texts]


def text_of(pdf: bytes) -> str:
    return " ".join(pages(pdf))


def faults_of(pdf: bytes, place: Path) -> list[str]:
    place.write_bytes(pdf)
    return [finding.message for finding in pdfua.validate(place).findings]


def alternatives(place: Path) -> list[str]:
    """Texts that stand for pictures."""
    with pikepdf.open(place) as document:
        found = [each for each in document.objects if isinstance(each, pikepdf.Dictionary) and "/Alt" in each]
        return [str(each.Alt).replace("\u00a0", " ") for each in found]


@pytest.fixture(scope="module")
def november(audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The twelve courses, all of which became known in November 2026: October's export said that nothing had changed."""
    out = tmp_path_factory.mktemp("november")
    workspace = out / "twelve"
    shutil.copytree(TWELVE, workspace)
    empty = workspace / "received" / "harbour" / "2026-10-02"
    empty.mkdir()
    for export in (workspace / "received" / "harbour" / "2026-11-02").glob("*.csv"):
        head = export.read_text("utf-8").partition("\n")[0]
        (empty / export.name).write_text(head + "\n", encoding="utf-8")
    return audit(workspace, out, "--period", "2026-11", "--as-of", "2026-11-30", expected_exit=None)


@pytest.fixture(scope="module")
def twelve(november: Any) -> str:
    return text_of((november.department / "handout.pdf").read_bytes())


@pytest.fixture(scope="module")
def many(catalogue: Any) -> Tables:
    """200 cases with a complication each, in October 2026, of one operation; one in ten needed surgery."""
    category, entry = next(iter(catalogue.complications.items()))
    numbers = range(200)
    cases = pd.DataFrame(
        {
            "case_id": [f"harbour.H{n:03}.L" for n in numbers],
            "operation_id": [f"H{n:03}" for n in numbers],
            "group": next(iter(catalogue.procedures)),
            "side": "left",
            "performed_on": date(2026, 9, 20),
            "age_band": "25-34",
            "surgeon": "harbour/S9",
        }
    )
    complications = pd.DataFrame(
        {
            "case_id": cases["case_id"],
            "category": category,
            "level": entry.main_level,
            "day": 20,
            "status": "counted",
            "severity_grade": ["III" if n % 10 == 7 else "I" for n in numbers],
            "parent": None,
            "last_operation": cases["operation_id"],
            "known_on": date(2026, 11, 2),
            "known_late": True,
        }
    )
    names = {"cases": cases, "complications": complications}
    return {name: frame.reindex(columns=list(PUBLISHED[name].names)) for name, frame in names.items()}


# ------------------------------------------------------------------------------- figures, counted by hand


def test_counts_stand_first_in_words(twelve: str) -> None:
    """13 cases. Any complication: courses 2, 3, 6, 9 left; 4, 7, 8; and 10, which counts as other. 11 was lost."""
    for said in (
        "In 13 operations closed at 365 days, 8 had any complication: 61.5 % (",
        "In 13 operations closed at 365 days, 1 had stiffness (persistent): 7.7 % (",
        "In 12 operations closed at 365 days, 2 had fracture at the fixation site: 16.7 % (",
        "In 13 operations closed at 365 days, 2 had instability (primary): 15.4 % (",
        "In 13 operations closed at 365 days, 4 had revision (any return): 30.8 % (",
        "1 of the 13 was not followed long enough; had all of these had it, it would be 69.2 %.",  # 9 of 13
    ):
        assert said in twelve


def test_rates_of_an_operation_with_interval_and_lost(twelve: str) -> None:
    """Wilson for 4 of 7 is 0.2505 to 0.8418, for 3 of 4 0.3006 to 0.9544."""
    assert re.search(
        r"Ligament reconstruction of the kneecap 4 of 7 57\.1 % \(25\.[01]–84\.2 %\) 1 0", twelve
    )
    assert "Transfer of the tibial tubercle 3 of 4 75.0 % (30.1–95.4 %) 0 0" in twelve
    assert "cannot occur here" in twelve


def test_the_stated_comparison_with_its_verdict_and_what_stands_beside(twelve: str) -> None:
    """4 of 7 against 3 of 4: Newcombe −0.5591 to 0.3458, Fisher 1. No tubercle transfer but one is of an age of the others.

    Wilson's limits of both arms worked out by hand from his formula (1927).
    """
    for said in (
        "Ligament reconstruction of the kneecap: in 7 operations, 4 had it: 57.1 % (25.0–84.2 %).",
        "Transfer of the tibial tubercle: in 4 operations, 3 had it: 75.0 % (30.1–95.4 %).",
        "Difference −17.9 percentage points, 95 % interval from −55.9 to +34.6.",
        "Fisher's exact test: p = 1.00.",
        "These counts cannot tell the two apart: they are compatible with anything from 55.9 fewer to 34.6 more per 100",
        "Compared within age bands",
        "7 of 7 cases of Ligament reconstruction of the kneecap, 1 of 4 cases of Transfer of the tibial tubercle",
    ):
        assert said in twelve


def test_the_case_list_holds_what_became_known(twelve: str) -> None:
    """Courses 2, 3, 4 and 7 with a return each, 6, 8, 9 left and 10: twelve complications in eight cases."""
    assert "12 counted complications in 8 cases happened or became known in November 2026" in twelve
    listed = set(re.findall(r"harbour\.H\d+[ab]?\.[LR]", twelve))
    assert listed == {
        f"harbour.H{which}" for which in ("02.L", "03.R", "04.L", "06.R", "07.L", "08.R", "09.L", "10.L")
    }
    assert "Fracture at the fixation site: day 41" in twelve
    assert "follows from fracture at the fixation site" in twelve
    assert "Learning point Action Owner Patient informed" in twelve
    assert twelve.index("harbour.H02.L") < twelve.index("harbour.H06.R"), "grade III before grade II"


def test_the_front_block_says_what_it_is(twelve: str, november: Any) -> None:
    for said in (
        "Complication audit, November 2026",
        f"{november.edition.name}, department edition",
        "up to 30 November 2026",
        "decided by 30 November 2026",
        "Harbour Hospital 2 November 2026",
        "Copy number",
        "Chair, signature",
    ):
        assert said in twelve


def test_every_page_carries_draft_the_cut_and_its_number(november: Any) -> None:
    told = pages((november.department / "handout.pdf").read_bytes())
    for number, text in enumerate(told, 1):
        foot = "DRAFT · Complication audit, November 2026 · records cut 30 November 2026 · stays in the department"
        assert f"{foot} Page {number} of {len(told)}" in text


def test_a_signed_edition_says_so_on_every_page(tables: Tables, context: Context) -> None:
    signed = replace(context, number=2, signature=Signature("quality officer", "hill was closed in autumn"))
    told = pages(handout(tables, signed))
    assert "number 2, signed by the quality officer; it never changes" in told[0]
    assert "Signed all the same, because: hill was closed in autumn" in told[0]
    assert all("SIGNED · Complication audit" in text and "DRAFT" not in text for text in told)


def test_all_cautions_are_printed(twelve: str) -> None:
    assert [caution for caution in words.CAUTIONS if caution not in twelve] == []


# ----------------------------------------------------------------------------------- what must not be in it


@pytest.fixture(scope="module")
def demo_text(demo: Any) -> str:
    return text_of((demo.department / "handout.pdf").read_bytes())


def test_paper_has_no_links(demo_text: str, twelve: str) -> None:
    """The sentences are those of the pages, where numbers lead to lists."""
    for text in (demo_text, twelve):
        assert "Compared within age bands" in text
        assert re.findall(r"href|</?a[ >]|\.html#", text) == []


def test_no_surgeon_is_named(demo: Any, demo_text: str, twelve: str, november: Any) -> None:
    for edition, text in ((demo, demo_text), (november, twelve)):
        surgeons = {name.rpartition("/")[2] for name in edition.table("cases")["surgeon"]}
        assert surgeons
        assert {
            name for name in surgeons if re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", text)
        } == set()


def test_no_day_is_given_but_those_of_the_edition(demo_text: str, twelve: str) -> None:
    for text, known in (
        (demo_text, {"31 October 2026", "5 November 2026"}),
        (twelve, {"30 November 2026", "2 November 2026"}),
    ):
        assert not re.search(r"\d{4}-\d\d-\d\d", text)
        assert set(WRITTEN_DAY.findall(text)) <= known
    assert "operated in August 2026" in demo_text


# ------------------------------------------------------------------------------------------- form of the file


def test_a_screen_reader_can_follow_it(demo: Any, november: Any) -> None:
    for edition in (demo, november):
        report = pdfua.validate(edition.department / "handout.pdf")
        assert list(report.findings) == []
        document = pypdfium2.PdfDocument(edition.department / "handout.pdf")
        assert document.is_tagged()
        assert document.get_metadata_dict()["Title"].startswith("Complication audit, ")
        document.close()
        raw = (edition.department / "handout.pdf").read_bytes()
        assert b"/Lang(en)" in raw
        whole = edition.rate("all", "any_complication", "any", 365)
        told = f"All operations: {whole['events']:.0f} of {whole['cases']:.0f}, "
        assert [alt[:15] for alt in alternatives(edition.department / "handout.pdf") if told in alt] == [
            "Interval plot. "
        ]


def test_two_to_four_pages_of_the_paper_that_is_set(demo: Any, tables: Tables, context: Context) -> None:
    for paper, size in (("a4", A4), ("letter", LETTER)):
        own = replace(context, settings=replace(context.settings, handout=Handout(paper=paper)))
        document = pypdfium2.PdfDocument(handout(tables, own))
        assert {tuple(map(round, page.get_size())) for page in document} == {size}
        document.close()
    assert 2 <= pages_of((demo.department / "handout.pdf").read_bytes()) <= MOST_PAGES


def test_equal_inputs_give_equal_bytes_dated_by_the_edition(tables: Tables, context: Context) -> None:
    made = handout(tables, context, "draft-0")
    assert made == handout(tables, context, "draft-0")
    assert b"/CreationDate(D:20261109" in made
    assert re.findall(rb"/CreationDate\(D:(?!20261109)", made) == []


# --------------------------------------------------------------------------------------------- odd workspaces

HOSTILE = 'Harbour <b>&amp;</b> "Q" #panic("x") $x^2$ *bold* _under_ @ref `raw` \\ // /* = [y] ~ <label>'


def test_names_stay_text(tables: Tables, context: Context, tmp_path: Path) -> None:
    sites = (
        SiteState("harbour", HOSTILE, date(2026, 10, 31), verdict="fit"),
        SiteState("hill", "مستشفى التل", date(2026, 10, 31)),
        SiteState("east", "病院 😀\x00\u202e of the East", None),
    )
    made = handout(tables, replace(context, sites=sites, warnings=(HOSTILE,)), "draft-#1")
    text = text_of(made)
    assert text.count(HOSTILE) == 2
    assert f"{NO_GLYPH}{NO_GLYPH} {NO_GLYPH} of the East" in text
    assert re.search("[\ufe70-\ufeff\u0600-\u06ff]{5}", text), "Arabic letters"
    assert faults_of(made, tmp_path / "hostile.pdf") == []


def test_a_name_turns_nothing_but_itself() -> None:
    assert isolated("a\u202eb\u2069c\x07") == "\u2068abc \u2069"


def test_a_list_that_is_too_long_shows_the_gravest_and_says_how_many_are_left(
    many: Tables, tables: Tables, context: Context, tmp_path: Path
) -> None:
    made = handout({**tables, **many}, context)
    text = text_of(made)
    assert pages_of(made) == MOST_PAGES
    assert "200 counted complications in 200 cases happened or became known in October 2026" in text
    left = int(re.search(r"(\d+) more of these cases do not fit on this handout", text)[1])  # type: ignore[index]
    shown = set(re.findall(r"harbour\.H\d{3}\.L", text))
    assert len(shown) + left == 200
    assert len(shown) > 20
    assert {f"harbour.H{n:03}.L" for n in range(7, 200, 10)} <= shown, "grade III comes first"
    assert "discuss.html" in text
    assert faults_of(made, tmp_path / "long.pdf") == []


def test_without_a_stated_comparison_it_says_so_and_shows_rates(tables: Tables, context: Context) -> None:
    rows = tables["comparisons"].assign(primary=False)
    bare = replace(context, settings=replace(context.settings, primary=None))
    text = text_of(handout({**tables, "comparisons": rows}, bare))
    assert NOT_STATED in text
    assert "In 48 operations closed at 365 days, 5 had any complication" in text
    assert "Fisher" not in text


def test_a_month_without_anything_is_still_a_handout(context: Context, tmp_path: Path) -> None:
    nothing = {name: pd.DataFrame(columns=list(table.names)) for name, table in PUBLISHED.items()}
    made = handout(nothing, context)
    text = text_of(made)
    assert pages_of(made) in (1, 2)
    for said in (
        "Nothing was recorded for October 2026. Ask the sites whether that is so.",
        "No operation has a closed window yet, so there are no rates.",
        "No complication happened or became known in October 2026.",
    ):
        assert said in text
    assert faults_of(made, tmp_path / "nothing.pdf") == []


def test_a_range_and_no_single_figure_where_many_are_lost(tables: Tables, context: Context) -> None:
    """2 of 21 with 7 lost, that is a third: between 2 / 21 and 9 / 21."""
    text = text_of(handout(tables, context))
    assert "2 of 21 between 9.5 and 42.9 % 7 1" in text
    assert "so many cases were lost that only a range can be given" in text


# --------------------------------------------------------------------------------------------------- its parts


def test_the_period_s_cases_are_those_that_activity_counts(demo: Any) -> None:
    from pipeline.catalogue import load_catalogue

    catalogue = load_catalogue(demo.department / "as_used" / "catalogue.toml")
    news = period_complications(demo.table("cases"), demo.table("complications"), "2026-10", catalogue)
    activity = demo.table("activity")
    assert len(news) > 5
    assert news["happened"].sum() == activity["complications_happened"].sum()
    assert news["learned"].sum() == activity["complications_learned"].sum()


def test_a_complication_belongs_to_the_period_by_its_day_or_by_when_it_became_known(
    many: Tables, catalogue: Any
) -> None:
    """Operated on 20 September: day 10 is 30 September, day 11 the first of October, day 41 its last, day 42 November.
    The last became known on the first of October too, but in time for September."""
    own = many["complications"].head(7).assign(day=[10, 11, 41, 42, None, 3, 4])
    own["known_on"] = [date(2026, 11, 2)] * 5 + [date(2026, 10, 1)] * 2
    own["known_late"] = [True] * 6 + [False]
    news = period_complications(many["cases"], own, "2026-10", catalogue)
    assert news[["case_id", "happened", "learned"]].to_numpy().tolist() == [
        ["harbour.H001.L", True, False],
        ["harbour.H002.L", True, False],
        ["harbour.H005.L", False, True],
    ]


@pytest.mark.parametrize(
    ("longest", "a_page", "fits"), [(0, 3, 0), (7, 3, 7), (12, 3, 12), (13, 3, 12), (200, 7, 28)]
)
def test_as_much_of_a_list_as_fits(longest: int, a_page: int, fits: int) -> None:
    def made(shown: int) -> bytes:
        return f"<xmpTPg:NPages>{max(1, -(-shown // a_page))}</xmpTPg:NPages>".encode()

    assert fitting(4, longest, made) == (fits, made(fits))


def test_an_arm_that_cannot_have_the_outcome_has_no_nought(tables: Tables, context: Context) -> None:
    """The rates say so of one operation; in the handout's comparison it has cases and no count."""
    rates, rows = tables["rates"], tables["comparisons"].copy()
    bare = rates[rates["note"] == "cannot occur here"].iloc[0]
    own = rows["primary"].fillna(False).astype(bool)
    rows.loc[own, ["arm_b", "category", "level", "events_b", "cases_b"]] = [
        bare["procedure"], bare["category"], bare["level"], 0, 12,
    ]  # fmt: skip
    found = stated_comparison({**tables, "comparisons": rows}, context)
    assert "12 operations; cannot occur here." in found["crude"]["lines"][1]
    assert "none had it" not in found["crude"]["lines"][1]


def test_what_counts_cannot_give_is_one_sentence() -> None:
    note = (
        "ratio not estimable: an arm without events, or with nothing else; adjusted ratio not estimable: in shared age bands "
        "all cases have events; no increase would be found with a chance of 80 %; trend not estimable: every case has an event"
    )
    assert _note(pd.Series({"verdict": "Nothing can be told.", "note": note})) == (
        "Such counts do not give a ratio, a ratio within age bands and a trend over age; why not says report/comparison.html. "
        "No increase would be found with a chance of 80 %."
    )


@pytest.mark.parametrize(
    ("note", "said"),
    [
        ("an arm has no closed cases", ""),
        ("an arm has no closed cases; clustered; clustered", "Clustered."),
        ("ratio not estimable: an arm without events", "Ratio not estimable: an arm without events."),
        (None, ""),
    ],
)
def test_a_note_says_nothing_twice(note: str | None, said: str) -> None:
    verdict = "Nothing can be compared yet: an arm has no closed cases."
    assert _note(pd.Series({"verdict": verdict, "note": note})) == said


class Watched(dict[str, pd.DataFrame]):
    """Tables that remember which of them were asked for."""

    def __init__(self, tables: Tables) -> None:
        super().__init__(tables)
        self.asked: set[str] = set()

    def get(self, name: str, otherwise: Any = None) -> Any:
        self.asked.add(name)
        return super().get(name, otherwise)

    def __getitem__(self, name: str) -> pd.DataFrame:
        self.asked.add(name)
        return super().__getitem__(name)


def test_it_is_made_from_the_tables_it_names_alone(tables: Tables, context: Context) -> None:
    watched = Watched(tables)
    handout_content(watched, replace(context, lists=Register()), "draft")
    assert watched.asked == set(NEEDS)
