"""Invented workspaces, written once a session."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.sample import write_sample

CASES, SEED = 1500, 7


@pytest.fixture(scope="session")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The committed demo, written anew."""
    folder = tmp_path_factory.mktemp("faulty") / "sample_exports"
    write_sample(folder, CASES, SEED, faults=True)
    return folder


@pytest.fixture(scope="session")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same story without planted faults."""
    folder = tmp_path_factory.mktemp("clean") / "demo"
    write_sample(folder, CASES, SEED, faults=False)
    return folder
