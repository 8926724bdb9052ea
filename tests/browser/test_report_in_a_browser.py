"""The report as people meet it: in a browser, from disk, by keyboard, on a phone, on paper, without scripts."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest

from pipeline.publish.page import PAGES

#: Rules of the accessibility engine that are run: WCAG 2.2 at level AA with all before it, and its own advice.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice"]
#: Rows of a table and pictures of a page it looks at: one maker writes them all, and each costs milliseconds.
ROWS_LOOKED_AT = 3
PICTURES_LOOKED_AT = 8
CUT_SHORT = """([rows, pictures]) => {
    document.querySelectorAll('details').forEach(part => part.open = true);
    document.querySelectorAll('table').forEach(table =>
        [...table.querySelectorAll('tbody tr')].slice(rows).forEach(row => row.remove()));
    [...document.querySelectorAll('figure')].slice(pictures).forEach(picture => picture.remove());
}"""
GROUNDS = {"light": "rgb(251, 250, 246)", "dark": "rgb(18, 23, 28)"}
A4_WIDTH = 703  # pixels of the style sheet between the margins of an upright sheet: 186 mm


def told(pages: dict[str, Any], script: str) -> dict[str, Any]:
    """What a script finds on each page, without pages where it finds nothing."""
    found = {name: page.tab.evaluate(script) for name, page in pages.items()}
    return {name: answer for name, answer in found.items() if answer}


def test_every_page_of_the_menu_is_there(pages: dict[str, Any]) -> None:
    assert set(PAGES) <= set(pages)


def test_nothing_is_asked_for_but_the_page(pages: dict[str, Any]) -> None:
    assert {name: page.asked for name, page in pages.items()} == {
        name: [page.path.as_uri()] for name, page in pages.items()
    }


def test_nothing_is_complained_of(pages: dict[str, Any]) -> None:
    assert {name: page.complaints for name, page in pages.items() if page.complaints} == {}


def test_a_breach_of_the_policy_would_be_noticed(pages: dict[str, Any]) -> None:
    page = pages["index.html"]
    page.tab.evaluate(
        "document.body.append(Object.assign(document.createElement('img'), {src: 'http://x.invalid/'}))"
    )
    page.tab.wait_for_timeout(200)
    assert any("Content Security Policy" in said for said in page.complaints)
    page.tab.reload()
    page.complaints.clear()


# ---------------------------------------------------------------- structure


def test_each_page_has_a_title_of_its_own_and_a_language(pages: dict[str, Any]) -> None:
    titles = [page.tab.title() for page in pages.values()]
    assert len(set(titles)) == len(pages)
    assert all(title.strip() for title in titles)
    assert told(pages, "document.documentElement.lang === 'en' ? '' : 'no language'") == {}


@pytest.mark.parametrize(
    "element", ["h1", "main#content", "body > header", "body > footer", "nav[aria-label]", "main h1"]
)
def test_each_page_has_its_heading_and_landmarks_once(pages: dict[str, Any], element: str) -> None:
    counted = {name: page.tab.locator(element).count() for name, page in pages.items()}
    assert counted == dict.fromkeys(pages, 1)


def test_the_menu_marks_where_one_is(pages: dict[str, Any]) -> None:
    marked = (
        "[...document.querySelectorAll('nav.pages a[aria-current=page]')].map(a => a.getAttribute('href'))"
    )
    found = {name: page.tab.evaluate(marked) for name, page in pages.items() if name in PAGES}
    assert found == {name: [name] for name in PAGES}


def test_tables_have_captions_and_headers_that_say_what_they_head(pages: dict[str, Any]) -> None:
    bare = """[...document.querySelectorAll('table')].filter(table =>
        !table.caption || !table.caption.textContent.trim() || !table.querySelector('thead th')
        || [...table.querySelectorAll('th')].some(th => !/^(col|row|colgroup|rowgroup)$/.test(th.scope))
    ).map(table => table.outerHTML.slice(0, 300))"""
    assert told(pages, bare) == {}
    assert sum(page.tab.locator("table").count() for page in pages.values()) > 20


def test_every_link_leads_somewhere(pages: dict[str, Any], demo: Any) -> None:
    targets = {
        name: page.tab.evaluate("[...document.querySelectorAll('a')].map(a => a.href)")
        for name, page in pages.items()
    }
    ids = {
        page.path: set(page.tab.evaluate("[...document.querySelectorAll('[id]')].map(e => e.id)"))
        for page in pages.values()
    }
    lost = [
        f"{name} → {href}"
        for name, hrefs in targets.items()
        for href in dict.fromkeys(hrefs)
        if (why := _lost(href, ids, demo.edition)) and why
    ]
    assert lost == []
    assert sum(map(len, targets.values())) > 100


def _lost(href: str, ids: dict[Path, set[str]], edition: Path) -> bool:
    """Whether a link leads out of the edition, to a file that is not there, or to a part that no page has."""
    parts = urlsplit(href)
    path = Path(unquote(parts.path))
    if parts.scheme != "file" or not path.is_file() or edition not in path.parents:
        return True
    return bool(parts.fragment) and unquote(parts.fragment) not in ids.get(path, {unquote(parts.fragment)})


def test_no_id_is_given_twice(pages: dict[str, Any]) -> None:
    twice = """[...document.querySelectorAll('[id]')].map(e => e.id).filter((id, at, all) => all.indexOf(id) !== at)"""
    assert told(pages, twice) == {}


# ---------------------------------------------------------------- people who see, point or click otherwise


@pytest.fixture(scope="module")
def engine() -> str:
    """The source of axe-core."""
    from axe_playwright_python.base import AXE_SCRIPT

    return AXE_SCRIPT


@pytest.fixture
def look(browser: Any, engine: str) -> Iterator[Callable[..., list[str]]]:
    """`look(path, scheme, options)` → what the engine finds on the page, each table and row of pictures cut short."""
    contexts = {scheme: browser.new_context(color_scheme=scheme) for scheme in ("light", "dark")}

    def found(path: Path, scheme: str, options: dict[str, Any], first: str = "") -> list[str]:
        tab = contexts[scheme].new_page()
        tab.goto(path.as_uri())
        tab.evaluate(CUT_SHORT, [ROWS_LOOKED_AT, PICTURES_LOOKED_AT])
        if first:
            tab.evaluate(first)
        ground = tab.evaluate("getComputedStyle(document.body).backgroundColor")
        assert ground == GROUNDS[scheme]
        tab.evaluate(engine)
        answer = tab.evaluate(
            "options => axe.run(document, options)", {**options, "resultTypes": ["violations"]}
        )
        tab.close()
        return [
            f"{fault['id']}: {len(fault['nodes'])}, as in {fault['nodes'][0]['html'][:200]}"
            for fault in answer["violations"]
        ]

    yield found
    for context in contexts.values():
        context.close()


WHOLE = {"runOnly": RULES, "rules": {"target-size": {"enabled": True}}}


def test_the_accessibility_engine_finds_nothing(
    look: Any, paths: list[Path], lists_of_every_kind: list[Path]
) -> None:
    both = dict.fromkeys([*paths, *lists_of_every_kind])
    assert {path.name: found for path in both if (found := look(path, "light", WHOLE))} == {}


def test_it_finds_nothing_where_findings_have_no_file(look: Any, findings_without_a_file: Path) -> None:
    assert "no file" in findings_without_a_file.read_text("utf-8")
    assert look(findings_without_a_file, "light", WHOLE) == []


def test_colours_stand_out_in_the_dark_too(look: Any, paths: list[Path]) -> None:
    options = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
    assert {path.name: found for path in paths if (found := look(path, "dark", options))} == {}


def test_the_engine_would_find_a_fault(look: Any, paths: list[Path]) -> None:
    fault = """document.querySelector('main').insertAdjacentHTML(
        'beforeend', '<p style="color: #ccc">pale</p><img>')"""
    (index,) = [path for path in paths if path.name == "index.html"]
    found = look(index, "light", {"runOnly": RULES}, fault)
    assert {one.split(":")[0] for one in found} == {"color-contrast", "image-alt"}


def test_the_first_tab_key_offers_to_skip_the_menu(pages: dict[str, Any]) -> None:
    for name, page in pages.items():
        page.tab.bring_to_front()
        page.tab.keyboard.press("Tab")
        link = page.tab.locator(":focus")
        assert link.get_attribute("href") == "#content", name
        box = link.bounding_box()
        assert box["x"] >= 0, name
        assert box["y"] >= 0, name
        page.tab.keyboard.press("Enter")
        page.tab.keyboard.press("Tab")
        where = "document.activeElement.closest('main, footer') ? 'past the menu' : document.activeElement.outerHTML"
        assert page.tab.evaluate(where) == "past the menu", name


def test_what_scrolls_sideways_can_be_reached_by_keyboard(pages: dict[str, Any]) -> None:
    out_of_reach = """[...document.querySelectorAll('main *')].filter(e => e.scrollWidth > e.clientWidth + 1
        && /auto|scroll/.test(getComputedStyle(e).overflowX) && e.tabIndex < 0).map(e => e.outerHTML.slice(0, 200))"""
    assert told(pages, out_of_reach) == {}


def test_on_a_phone_only_tables_scroll_sideways(pages: dict[str, Any]) -> None:
    wide = {}
    for name, page in pages.items():
        page.tab.set_viewport_size({"width": 360, "height": 740})
        wide[name] = page.tab.evaluate("document.documentElement.scrollWidth")
        page.tab.set_viewport_size({"width": 1280, "height": 900})
    assert {name: width for name, width in wide.items() if width > 360} == {}


# ---------------------------------------------------------------- without scripts, on paper


def test_pages_are_complete_without_scripts(browser: Any, pages: dict[str, Any]) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 1280, "height": 900})
    for name, page in pages.items():
        tab = context.new_page()
        tab.goto(page.path.as_uri())
        assert _rows(tab.inner_text("main")) >= _rows(page.tab.inner_text("main")), name
        tab.close()
    context.close()


def _rows(text: str) -> set[str]:
    return {" ".join(line.split()) for line in text.splitlines() if "\t" in line}


def test_on_paper_every_row_stands_and_each_sheet_says_what_it_is(pages: dict[str, Any]) -> None:
    rows = "[...document.querySelectorAll('main tr')].map(row => [...row.cells].map(cell => cell.textContent).join(''))"
    for name, page in pages.items():
        sheets = printed(page.tab)
        assert all("records cut 31 October 2026" in sheet for sheet in sheets), name
        whole = "".join(map(bare, sheets))
        assert [row for row in page.tab.evaluate(rows) if bare(row) not in whole] == [], name


def test_on_paper_the_heads_of_columns_stand_on_every_sheet(pages: dict[str, Any]) -> None:
    sheets = [" ".join(sheet.split()) for sheet in printed(pages["all-any-complication.html"].tab)]
    with_rows = [sheet for sheet in sheets if "received/" in sheet]
    assert [sheet for sheet in with_rows if "Rests on" not in sheet] == []
    assert len(with_rows) > 3


def printed(tab: Any) -> list[str]:
    """The text of each sheet of paper."""
    from pypdfium2 import PdfDocument

    pdf = PdfDocument(io.BytesIO(tab.pdf(format="A4", prefer_css_page_size=True)))
    return [sheet.get_textpage().get_text_bounded() for sheet in pdf]


def bare(text: str) -> str:
    """Without blanks, and without hyphens, which are lost where a line ends in one."""
    return re.sub(r"[\s\x02-]", "", text)


def test_paper_is_white_and_wide_enough(pages: dict[str, Any]) -> None:
    for name, page in pages.items():
        page.tab.emulate_media(media="print", color_scheme="dark")
        page.tab.set_viewport_size({"width": A4_WIDTH, "height": 900})
        assert page.tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)", (
            name
        )
        assert page.tab.evaluate("document.documentElement.scrollWidth") <= A4_WIDTH, name
        page.tab.emulate_media(media="screen", color_scheme="light")
        page.tab.set_viewport_size({"width": 1280, "height": 900})
