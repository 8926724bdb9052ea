"""The report's pages: what each must say, that they ask nobody for anything, and that text stays text."""

from __future__ import annotations

import re
from base64 import b64encode
from dataclasses import replace
from hashlib import sha256
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

from pipeline.publish import Context, words, write_edition
from pipeline.publish.arms_beside import _over_time
from pipeline.publish.differences import differences
from pipeline.publish.page import MOST_ROWS, PAGES, POLICY
from pipeline.publish.report import BODIES, write_report

Tables = dict[str, pd.DataFrame]
VOID = {"meta", "link", "br", "hr", "img", "input", "col"}
CODE_WORDS = (
    "quarantin",
    "cannot_occur",
    "all_cases",
    "worst_for",
    "stratum",
    "any_complication",
    "within_tolerance",
)


class Reading(HTMLParser):
    """What a page holds: tags with attributes, text by tag, and whether every tag is closed in order."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(markup)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open:
            self.texts.append((self.open[-1], data))

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]

    @property
    def text(self) -> str:
        return " ".join(text for tag, text in self.texts if tag not in ("style", "script"))


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory, tables: Tables, context: Context) -> Path:
    folder = tmp_path_factory.mktemp("report")
    write_report(folder, tables, context)
    return folder


@pytest.fixture(params=PAGES)
def markup(request: pytest.FixtureRequest, report: Path) -> str:
    return (report / request.param).read_text("utf-8")


def test_every_page_of_the_menu_is_written(report: Path) -> None:
    assert {path.name for path in report.iterdir()} == set(PAGES) == set(BODIES)


def test_every_page_says_draft_cut_knowledge_sites_and_cautions(markup: str, context: Context) -> None:
    text = Reading(markup).text
    for said in (
        "Draft",
        "31 October 2026",
        "9 November 2026",
        "Harbour <Hospital> & Friends",
        "مستشفى التل",
    ):
        assert said in text
    assert [caution for caution in words.CAUTIONS if caution not in text] == []
    assert "2 October 2026; late; never sent: followups" in text
    assert "differ from the built-in ones in 1 point" in text


def test_every_page_is_well_formed_and_has_its_landmarks(markup: str) -> None:
    read = Reading(markup)
    assert read.open == []
    assert read.of("html") == [{"lang": "en"}]
    titles = [
        attributes for attributes in read.of("title") if "id" not in attributes
    ]  # charts have titles too
    assert len(read.of("main")) == len(read.of("h1")) == len(titles) == len(read.of("nav")) == 1
    identities = [attributes["id"] for _, attributes in read.tags if "id" in attributes]
    assert len(identities) == len(set(identities))
    assert all(identity and " " not in identity for identity in identities)


def test_headings_step_down_one_at_a_time(markup: str) -> None:
    steps = [int(tag[1]) for tag, _ in Reading(markup).tags if re.fullmatch(r"h[1-6]", tag)]
    assert steps[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(steps))


def test_every_table_has_a_caption_and_headers_with_a_scope(markup: str) -> None:
    read = Reading(markup)
    assert len(read.of("caption")) == len(read.of("table"))
    assert all(attributes.get("scope") for attributes in read.of("th"))
    identities = {attributes.get("id") for _, attributes in read.tags}
    for cell in read.of("td"):
        assert set((cell.get("headers") or "").split()) <= identities


def test_a_table_that_scrolls_can_be_reached_with_the_keyboard(markup: str) -> None:
    regions = [attributes for attributes in Reading(markup).of("div") if attributes.get("class") == "scroll"]
    assert all(region.get("tabindex") == "0" and region.get("aria-label") for region in regions)


def test_no_page_asks_anybody_for_anything(markup: str) -> None:
    read = Reading(markup)
    policies = [
        meta["content"] for meta in read.of("meta") if meta.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policies == [POLICY]
    assert "default-src 'none'" in POLICY
    targets = [
        value for _, attributes in read.tags for name, value in attributes.items() if name in ("src", "href")
    ]
    assert targets
    assert all(value and not re.match(r"[a-z]+:|//", value) for value in targets)
    assert read.of("script") == [{}]
    assert not read.of("link") + read.of("img")
    assert "@import" not in markup
    assert "url(" not in markup


def test_the_policy_lets_through_the_one_script_and_no_other(markup: str) -> None:
    scripts = re.findall(r"<script>(.*?)</script>", markup, flags=re.DOTALL)
    wanted = [b64encode(sha256(script.encode("utf-8")).digest()).decode("ascii") for script in scripts]
    assert re.findall(r"'sha256-([^']+)'", POLICY) == wanted
    assert "unsafe-inline" not in POLICY.partition("script-src")[2].partition(";")[0]


def test_links_lead_to_files_of_the_edition(tmp_path: Path, tables: Tables, context: Context) -> None:
    report = write_edition(tmp_path, "0" * 12, tables, context) / "department" / "report"
    for file in PAGES:
        read = Reading((report / file).read_text("utf-8"))
        for link in read.of("a"):
            path, _, part = str(link["href"]).partition("#")
            target = (report / path) if path else report / file
            assert target.is_file(), link
            assert not part or f'id="{part}"' in target.read_text("utf-8"), link


def test_no_code_word_reaches_a_reader(markup: str) -> None:
    read = Reading(markup)
    said = " ".join(text for tag, text in read.texts if tag not in ("style", "script", "a"))
    assert [word for word in CODE_WORDS if word in said] == []


def test_text_of_others_stays_text(tmp_path: Path, tables: Tables, context: Context) -> None:
    evil = "<script>alert(1)</script>&\"'<b>"
    review = tables["review"].assign(why=evil, evidence=evil, would_move=evil)
    rates = tables["rates"].assign(note=evil)
    comparisons = tables["comparisons"].assign(verdict=evil, note=evil)
    ledger = tables["ledger"].assign(reason=evil, source_file=[evil + "1", evil + "2"])
    sites = tuple(replace(site, name=evil) for site in context.sites)
    changed = replace(
        context,
        sites=sites,
        warnings=(evil,),
        catalogue=replace(context.catalogue, differs=(evil,)),
        version=evil,
    )
    write_report(
        tmp_path,
        {**tables, "review": review, "rates": rates, "comparisons": comparisons, "ledger": ledger},
        changed,
    )
    for file in PAGES:
        markup = (tmp_path / file).read_text("utf-8")
        assert markup.count("<script") == 1, file
        assert "<b>" not in markup, file
        assert Reading(markup).open == []
    assert evil in Reading((tmp_path / "to_review.html").read_text("utf-8")).text


def test_a_column_of_code_never_closes_the_style(tmp_path: Path, tables: Tables, context: Context) -> None:
    write_report(tmp_path, tables, replace(context, period='"</style><script>'))
    assert (tmp_path / "index.html").read_text("utf-8").count("<script") == 1


def test_a_long_table_shows_the_first_rows_and_links_the_rest(
    tmp_path: Path, tables: Tables, context: Context
) -> None:
    many = pd.concat([tables["review"].head(1)] * 700, ignore_index=True)
    many["case_id"] = [f"harbour.H{number:04}.L" for number in range(700)]
    write_report(tmp_path, {**tables, "review": many}, context)
    text = Reading((tmp_path / "to_review.html").read_text("utf-8")).text
    assert text.count("harbour.H") == MOST_ROWS
    assert "The first 500 of 700 rows" in text
    assert "harbour.H0499.L" in text
    assert "harbour.H0500.L" not in text


def cells(report: Path, page: str, *needles: str) -> str:
    """The first table row that holds every needle, as text with plain blanks."""
    rows = re.findall(r"<tr>.*?</tr>", (report / page).read_text("utf-8"), flags=re.DOTALL)
    texts = [" ".join(re.sub(r"<[^>]+>", " ", row).replace("\u00a0", " ").split()) for row in rows]
    return next(text for text in texts if all(needle in text for needle in needles))


def test_no_events_print_the_upper_limit_and_the_cases(report: Path, tables: Tables) -> None:
    row = cells(report, "rates.html", "within 30 days", "none in 27")
    assert "none in 27, at most 12.0 %" in row
    assert " 0.0 %" not in row


def test_a_rate_stands_with_interval_followed_lost_worst_case_and_awaiting(report: Path) -> None:
    row = cells(report, "rates.html", "within 90 days", "9.5 %")
    assert row == "within 90 days 21 2 9.5 % (3.8–29.1 %) 20 10.0 % (3.8–34.0 %) 1 14.3 % 1 → 14.3 %"


def test_too_many_lost_print_a_range(report: Path) -> None:
    row = cells(report, "rates.html", "within 365 days", "between")
    assert "between 9.5 and 42.9 %" in row
    assert "7 of 21 not followed long enough, so a range" in row


def test_what_cannot_occur_has_cases_and_no_estimate(report: Path) -> None:
    assert (
        cells(report, "rates.html", "Cannot occur here")
        == "within 365 days 12 – – – – – – – Cannot occur here"
    )


def test_few_measured_are_said_in_words(report: Path) -> None:
    assert "measured in only 9" in cells(report, "rates.html", "measured in only")


def test_the_stated_comparison_is_told_counts_first(report: Path) -> None:
    text = Reading((report / "comparison.html").read_text("utf-8")).text.replace("\u00a0", " ")
    assert "2 of 21 cases (9.5 %)" in text
    assert "2 of 21 cases, 9.5 % (2.7–28.9 %)." in text
    assert "none of 27 cases, at most 12.5 %." in text
    assert "Difference +9.5 percentage points, 95 % interval from −4.4 to +28.9." in text
    assert "Fisher's exact test: p = 0.19; Boschloo's exact test: p = 0.11." in text


def test_beside_the_stated_comparison_stand_age_power_and_what_is_not_adjusted_for(report: Path) -> None:
    text = Reading((report / "comparison.html").read_text("utf-8")).text.replace("\u00a0", " ")
    assert "Within age bands: difference +3.1 percentage points, 95 % interval from −12.0 to +18.0." in text
    assert "Of an age band in which both occur: 18 of 21 cases of" in text
    assert "an increase of 10 percentage points would be found with a chance of 21 %" in text
    assert "Smallest increase found with a chance of 80 %: 28.4 percentage points." in text
    assert "Adjusted for age band alone; not adjusted for sex," in text


def test_the_stated_comparison_over_time_is_a_sentence(report: Path) -> None:
    text = Reading((report / "comparison.html").read_text("utf-8")).text.replace("\u00a0", " ")
    assert "Over time, open windows included, up to day 730:" in text
    assert "4 of 30 cases; " in text
    assert "16 of 31 cases, half by day 412." in text
    assert "Log-rank test of how soon it comes: p = 0.001; within age bands p = 0.30." in text


def test_without_a_test_over_time_none_is_told(tmp_path: Path, tables: Tables, context: Context) -> None:
    bare = tables["courses_compared"].assign(p_log_rank=None, p_within_age=None)
    write_report(tmp_path, {**tables, "courses_compared": bare}, context)
    text = Reading((tmp_path / "comparison.html").read_text("utf-8")).text
    assert "Over time, open windows included" in text
    assert "Log-rank" not in text


def test_an_arm_without_a_case_is_not_none_of_none(tables: Tables, context: Context) -> None:
    row = tables["courses_compared"].assign(cases_b=0, events_b=0, median_b=None).iloc[0]
    assert _over_time(row, "b", "Sewing", context) == "Sewing: no case"


def test_without_adjusted_figures_nothing_is_said_to_be_adjusted(
    tmp_path: Path, tables: Tables, context: Context
) -> None:
    bare = tables["comparisons"].assign(
        adjusted_for=None, adj_risk_difference=None, informative_a=None, power=None
    )
    write_report(tmp_path, {**tables, "comparisons": bare}, context)
    text = Reading((tmp_path / "comparison.html").read_text("utf-8")).text
    assert "Not adjusted for age, nor for sex," in text
    assert "Within age bands: difference" not in text
    assert "would be found" not in text


def test_how_the_arms_differed_before_is_a_table(report: Path) -> None:
    assert cells(report, "comparison.html", "median") == "median 18 years 27.5 years 0 1 −1.20"
    assert cells(report, "comparison.html", "yes 5") == "yes 5 (25.0 %) none 1 0 +0.82"
    assert cells(report, "comparison.html", "not known of any case") == "not known of any case – – 21 27 –"
    assert cells(report, "comparison.html", "مستشفى التل", "100.0").endswith("+0.00")


def test_activity_adds_up_over_sites(report: Path) -> None:
    assert cells(report, "index.html", "Ligament").endswith("6 6 2 4 0 6 2\u2009468".replace("\u2009", " "))


def test_changed_counting_rules_are_named(context: Context) -> None:
    settings = replace(
        context.settings,
        age_bands=(30, 50),
        tolerance=replace(context.settings.tolerance, observed_share=0.9),
    )
    assert differences(replace(context, settings=settings))[-2:] == (
        "audit.toml, age bands: 0-29, 30-49, 50+ (built in: 0-24, 25-34, 35-44, 45-54, 55-64, 65+)",
        "audit.toml, observed share: 90\u00a0% (built in: 80\u00a0%)",
    )


def test_nothing_is_compared_unless_asked(tmp_path: Path, tables: Tables, context: Context) -> None:
    write_report(tmp_path, {**tables, "comparisons": tables["comparisons"].head(0)}, context)
    assert "Nothing is compared" in (tmp_path / "comparison.html").read_text("utf-8")


def test_the_list_of_editions_names_the_current_one(tmp_path: Path, tables: Tables, context: Context) -> None:
    write_edition(tmp_path, "0" * 12, tables, context)
    write_edition(tmp_path, "1" * 12, tables, context)
    (tmp_path / "2026-10" / "draft-broken").mkdir()
    markup = (tmp_path / "index.html").read_text("utf-8")
    read = Reading(markup)
    assert read.open == []
    targets = [str(link["href"]) for link in read.of("a")]
    assert targets == [f"2026-10/draft-{digit * 12}/department/report/index.html" for digit in "10"]
    assert all((tmp_path / target).is_file() for target in targets)
    assert markup.index("current") < markup.index("earlier")


def test_an_outcome_that_an_arm_cannot_have_is_no_nought(
    tmp_path: Path, tables: Tables, context: Context
) -> None:
    """Of the third operation the rates say that it cannot occur; within 30 days it is defined for none of the two."""
    rates, rows = tables["rates"], tables["comparisons"]
    bare = rates[rates["note"] == "cannot occur here"].iloc[0]
    first = rates[(rates["category"] == bare["category"]) & rates["events"].notna()].iloc[0]
    beside = {
        "among": None, "by": "procedure", "arm_a": first["procedure"], "arm_b": bare["procedure"], "primary": False,
        "category": bare["category"], "level": bare["level"], "window_days": 365, "analysis": "all_cases",
        "isolated_only": False, "events_a": 1, "cases_a": 21, "events_b": 0, "cases_b": 12,
        "note": "not compared: it cannot occur, or is not defined, in an arm",
    }  # fmt: skip
    more = pd.concat([rows, pd.DataFrame([beside], columns=rows.columns)], ignore_index=True)
    write_report(tmp_path, {**tables, "comparisons": more}, context)
    row = cells(tmp_path, "comparison.html", "1 of 21 cases", "annot occur")
    assert "1 of 21 cases (4.8 %) cannot occur here –" in row
    assert "of 12 cases" not in row


def test_a_verdict_is_not_said_twice(tmp_path: Path, tables: Tables, context: Context) -> None:
    rows = tables["comparisons"].copy()
    rows.loc[rows["primary"] == True, ["verdict", "note"]] = [  # noqa: E712
        "Nothing can be compared yet: an arm has no closed cases.",
        "an arm has no closed cases",
    ]
    write_report(tmp_path, {**tables, "comparisons": rows}, context)
    text = Reading((tmp_path / "comparison.html").read_text("utf-8")).text
    assert text.count("n arm has no closed cases") == 1


def test_every_page_says_how_wide_its_intervals_are(tmp_path: Path, tables: Tables, context: Context) -> None:
    asked = replace(context, settings=replace(context.settings, confidence=0.9))
    write_report(tmp_path / "report", tables, asked)
    for page in (tmp_path / "report").glob("*.html"):
        text = Reading(page.read_text("utf-8")).text.replace("\u00a0", " ")
        assert "90 %: what chance alone leaves open, not what nobody saw" in text, page.name
