"""Places that commands share."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

FOLDER = click.Path(path_type=Path, file_okay=False)


def state_folder() -> Path:
    """Where this machine keeps what is no result: LIMBAUDIT_STATE_DIR, else the platform's place for it."""
    given = os.environ.get("LIMBAUDIT_STATE_DIR")
    if given:
        return Path(given)
    windows = os.environ.get("LOCALAPPDATA")
    base = windows if sys.platform == "win32" and windows else os.environ.get("XDG_STATE_HOME")
    return Path(base or Path.home() / ".local" / "state") / "limbaudit"
