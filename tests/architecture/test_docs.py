"""What the pages say is what the program does: commands, links, rules, generated pages."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])
LINK = re.compile(r"\[[^\]]*\]\((?P<to>[^)\s]+)\)")
COMMAND = re.compile(r"(?:`|^ {4}|/bin/)limbaudit (?P<command>[a-z]+)\b", re.MULTILINE)


def anchors(page: Path) -> set[str]:
    """Anchors of a page's headings, as the usual Markdown viewers make them."""
    headings = re.findall(r"^#+ (.+)$", page.read_text("utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-") for heading in headings}


def links() -> Iterator[tuple[Path, str]]:
    for page in PAGES:
        for found in LINK.finditer(page.read_text("utf-8")):
            if "://" not in found["to"]:
                yield page, found["to"]


@pytest.mark.parametrize(("page", "to"), list(links()), ids=lambda part: getattr(part, "name", part))
def test_links_lead_somewhere(page: Path, to: str) -> None:
    file, _, anchor = to.partition("#")
    target = (page.parent / file).resolve() if file else page
    assert target.exists(), f"{page.name} links to {to}"
    assert not anchor or anchor in anchors(target), f"{page.name} links to {to}"


def test_readme_has_two_commands_of_one_line(root: Path) -> None:
    lines = (root / "README.md").read_text("utf-8").splitlines()
    commands = [line for line in lines if line.startswith("python3 -m venv ")]
    audit, tests = commands
    assert audit.endswith("limbaudit run sample_exports")
    assert "pytest" in tests.rpartition("&&")[2]
    assert all("constraints.txt" in line and line.count("&&") == 2 for line in commands)


def test_every_command_the_pages_name_exists(limbaudit: Callable[..., Any]) -> None:
    written = "\n".join(page.read_text("utf-8") for page in PAGES)
    named = {found["command"] for found in COMMAND.finditer(written)}
    assert {"run", "check", "receive", "trace"} <= named
    assert {name for name in named if limbaudit(name, "--help").exit_code != 0} == set()


@pytest.mark.parametrize(
    "command",
    [
        "new",
        "receive",
        "map",
        "check",
        "run",
        "review",
        "trace",
        "sample",
        "dictionary",
        "catalogue",
        "findings",
    ],
)
def test_every_command_has_an_example_in_its_help(limbaudit: Callable[..., Any], command: str) -> None:
    shown = limbaudit(command, "--help")
    assert shown.exit_code == 0
    assert f"limbaudit {command}" in shown.out


def test_every_rule_the_pages_name_exists(root: Path) -> None:
    from pipeline.findings import CATALOGUE

    text = (root / "docs" / "operating.md").read_text("utf-8")
    table = text.partition("## When something is wrong")[2].partition("\n## ")[0]
    named = {
        rule
        for row in table.splitlines()
        for rule in re.findall(r"`([a-z_]+)`", row.split("|")[1] if "|" in row else "")
    }
    assert len(named) > 8
    assert named - set(CATALOGUE) == set()


@pytest.mark.parametrize(
    ("command", "page"),
    [("dictionary", "data-dictionary.md"), ("catalogue", "catalogue.md"), ("findings", "findings.md")],
)
def test_generated_pages_are_up_to_date(
    limbaudit: Callable[..., Any], root: Path, command: str, page: str
) -> None:
    shown = limbaudit(command)
    assert shown.exit_code == 0, shown.err
    assert shown.out.strip() == (root / "docs" / page).read_text("utf-8").strip()


def test_the_settings_a_new_workspace_gets_are_the_defaults(
    limbaudit: Callable[..., Any], tmp_path: Path
) -> None:
    """What `audit.toml` shows as the default is what holds where a line is left out."""
    from pipeline.catalogue_reading import read_catalogue
    from pipeline.settings_reading import read_settings
    from schemas.exports import EXPORTS

    assert limbaudit("new", tmp_path / "audit").exit_code == 0
    catalogue, columns = read_catalogue(None), EXPORTS["operations"].names
    shown = read_settings(tmp_path / "audit" / "audit.toml", catalogue, columns)
    (tmp_path / "bare").mkdir()
    (tmp_path / "bare" / "audit.toml").write_text("contract = 1\n", "utf-8")
    assert shown == read_settings(tmp_path / "bare" / "audit.toml", catalogue, columns)
