"""The recipes for the office's machines are well formed and keep the program in its place."""

from __future__ import annotations

import configparser
import re
import shutil
import subprocess
from pathlib import Path

import pytest

DOCS = Path(__file__).resolve().parents[2] / "docs"
UNITS = sorted((DOCS / "systemd").iterdir())
SERVICES = [unit for unit in UNITS if unit.suffix == ".service"]


def read(unit: Path) -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read_string(unit.read_text("utf-8"))
    return parser


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not installed")
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_systemd_takes_the_unit(unit: Path, tmp_path: Path) -> None:
    """The program is not installed where tests run, so another one stands in for it."""
    for each in UNITS:
        text = each.read_text("utf-8").replace("/opt/limbaudit/bin/limbaudit", "/bin/true")
        (tmp_path / each.name).write_text(text, "utf-8")
    command = ["systemd-analyze", "verify", str(tmp_path / unit.name)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("unit", SERVICES, ids=lambda unit: unit.name)
def test_a_service_can_write_nothing_but_editions_and_state(unit: Path) -> None:
    service = read(unit)["Service"]
    assert service["ReadWritePaths"] == "/srv/audit/editions"
    assert service["StateDirectory"] == "limbaudit"
    assert service["User"] not in ("", "root")
    assert (service["ProtectSystem"], service["NoNewPrivileges"], service["PrivateTmp"]) == (
        "strict",
        "yes",
        "yes",
    )


def test_the_night_needs_no_network() -> None:
    service = read(DOCS / "systemd" / "limbaudit-nightly.service")["Service"]
    assert service["PrivateNetwork"] == "yes"
    assert service["SuccessExitStatus"] == "1"


def test_the_container_is_no_root_and_fetches_nothing_but_its_base() -> None:
    lines = (DOCS / "container" / "Containerfile").read_text("utf-8").splitlines()
    user = next(number for number, line in enumerate(lines) if line.startswith("USER "))
    entry = next(number for number, line in enumerate(lines) if line.startswith("ENTRYPOINT"))
    assert lines[user] != "USER root"
    assert user < entry
    installs = [line for line in lines if "pip install" in line]
    assert installs
    assert all("--no-index" in line and "--require-hashes" in line for line in installs)
    assert not re.search(r"\b(curl|wget|apt-get|git clone)\b", "\n".join(lines))
