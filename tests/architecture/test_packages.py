"""What is installed is what is there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(scope="module")
def project(root: Path) -> dict[str, Any]:
    return tomllib.loads((root / "pyproject.toml").read_text("utf-8"))


def test_every_folder_with_modules_is_a_package_that_is_installed(
    root: Path, project: dict[str, Any]
) -> None:
    folders = {
        path.parent.relative_to(root)
        for top in ("pipeline", "schemas")
        for path in (root / top).rglob("*.py")
    }
    assert {".".join(folder.parts) for folder in folders} == set(project["tool"]["setuptools"]["packages"])
    assert [str(folder) for folder in folders if not (root / folder / "__init__.py").exists()] == []


def test_every_file_beside_the_modules_is_installed(root: Path, project: dict[str, Any]) -> None:
    stated = project["tool"]["setuptools"]["package-data"]
    for top in ("pipeline", "schemas"):
        for path in (root / top).rglob("*"):
            if path.is_file() and path.suffix not in {".py", ".pyc"}:
                package = ".".join(path.parent.relative_to(root).parts)
                patterns = stated.get(package, [])
                assert any(path.match(pattern) for pattern in patterns), f"{path} is not installed"


def test_the_lock_pins_every_dependency_and_names_no_machine(root: Path, project: dict[str, Any]) -> None:
    lock = (root / "constraints.txt").read_text("utf-8")
    pinned = {
        name.lower().replace("_", "-") for name in re.findall(r"^([A-Za-z0-9._-]+)==", lock, re.MULTILINE)
    }
    wanted = [*project["project"]["dependencies"], *project["project"]["optional-dependencies"]["test"]]
    names = {re.split(r"[\[><=!~ ;]", line)[0].lower() for line in wanted}
    assert names - pinned == set()
    assert re.findall(r"https?://|file:|--\w+|@", lock) == []
