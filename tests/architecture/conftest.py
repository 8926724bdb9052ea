"""The program's own source, parsed once."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Module:
    """A module of the program: its dotted name, where it stands, its syntax tree."""

    name: str
    path: Path

    @cached_property
    def text(self) -> str:
        return self.path.read_text("utf-8")

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text, str(self.path))

    @cached_property
    def imports(self) -> frozenset[str]:
        """Dotted names of what it imports, anywhere in it; for `from a import b` both `a` and `a.b`."""
        found: set[str] = set()
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{self.path}:{node.lineno} imports relatively"
                found |= {str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)}
        return frozenset(found)

    def imports_any(self, package: str) -> bool:
        return any(name == package or name.startswith(package + ".") for name in self.imports)


def modules_of(package: str) -> list[Module]:
    paths = sorted((ROOT / package).rglob("*.py"))
    return [Module(_dotted(path.relative_to(ROOT)), path) for path in paths]


def _dotted(path: Path) -> str:
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@pytest.fixture(scope="session")
def pipeline_modules() -> list[Module]:
    return modules_of("pipeline")


@pytest.fixture(scope="session")
def schemas_modules() -> list[Module]:
    return modules_of("schemas")
