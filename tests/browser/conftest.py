"""One browser and one edition for every look at the report: the demo's pages, opened from disk."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = next(
    (path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test of this folder, and skip it where no browser is installed."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)
            if CHROMIUM is None:
                item.add_marker(pytest.mark.skip(reason="Chromium is not installed"))


#: What the names of pages of lists begin with: closed cases, one category, an arm of a comparison, news of the period.
KINDS_OF_LISTS = (
    "all-365",
    "all-any-complication",
    "clavicle-plate-stiffness",
    "compared-",
    "new-complications",
)
#: A hospital's only file.
ONE_OPERATION = (
    "operation_id,patient_id,performed_on,procedure_code,side,age_years,sex\n"
    "O1,P1,2025-03-03,KN11,left,17,female\n"
)


@dataclass
class Opened:
    """A page that a browser has opened from disk, and what happened on the way.

    Attributes:
        tab: Playwright's page.
        asked: Every address asked for, its own included.
        complaints: What the console and scripts complained of; breaches of the content-security policy among it.
    """

    path: Path
    tab: Any
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


def opened(context: Any, path: Path) -> Opened:
    """A new tab with the page at `path`; a fragment or query may follow the file's address elsewhere."""
    page = Opened(path, context.new_page())
    page.tab.on("request", lambda request: page.asked.append(request.url))
    page.tab.on("console", lambda said: page.complaints.append(f"{said.type}: {said.text}"))
    page.tab.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.tab.goto(path.as_uri())
    return page


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Headless Chromium, closed with the module: its event loop must not outlive these tests."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as engine:
        started = engine.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def paths(demo: Any) -> list[Path]:
    """The pages of the demo's report, and of the hundreds of lists one of each kind."""
    report = demo.department / "report"
    lists = [sorted((report / "lists").glob(f"{kind}*.html"))[0] for kind in KINDS_OF_LISTS]
    return [*sorted(report.glob("*.html")), *lists]


def heads_of_lists(path: Path) -> set[tuple[str, ...]]:
    """What heads the columns of each list of a page: the kinds of lists on it."""
    markup = path.read_text("utf-8")
    return {
        tuple(re.findall(r"<th[^>]*>(.*?)</th>", head))
        for head in re.findall(r"<thead>(.*?)</thead>", markup, re.DOTALL)
    }


@pytest.fixture(scope="module")
def lists_of_every_kind(demo: Any) -> list[Path]:
    """As few and small pages of lists of the demo as hold every kind of list there is."""
    found: list[Path] = []
    seen: set[tuple[str, ...]] = set()
    for path in sorted(
        (demo.department / "report" / "lists").glob("*.html"), key=lambda each: each.stat().st_size
    ):
        if not (kinds := heads_of_lists(path)) <= seen:
            seen |= kinds
            found.append(path)
    return found


@pytest.fixture(scope="module")
def findings_without_a_file(audit: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The list of findings of a hospital that has never sent two tables, of which no file can be named."""
    place = tmp_path_factory.mktemp("bare")
    receipt = place / "ws" / "received" / "hill" / "2026-11-02"
    receipt.mkdir(parents=True)
    (receipt / "operations.csv").write_text(ONE_OPERATION, encoding="utf-8")
    (place / "ws" / "audit.toml").write_text("contract = 1\n", encoding="utf-8")
    made = audit(place / "ws", place / "out", expected_exit=1, whole=True)
    return Path(made.department / "report" / "lists" / "findings.html")


@pytest.fixture(scope="module")
def pages(browser: Any, paths: list[Path]) -> Iterator[dict[str, Opened]]:
    """File name → the page in a tab of its own: light, wide, scripts on."""
    context = browser.new_context(color_scheme="light", viewport={"width": 1280, "height": 900})
    yield {path.name: opened(context, path) for path in paths}
    context.close()
