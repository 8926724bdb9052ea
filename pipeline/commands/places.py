"""Places that commands share."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import click

FOLDER = click.Path(path_type=Path, file_okay=False)
Command = Callable[..., None]


def engine_options(command: Command) -> Command:
    """`--engine` and `--scheduler`, the same wherever editions are worked out."""
    engine = click.option(
        "--engine",
        type=click.Choice(["local", "dask"]),
        default="local",
        help="Where parts of the patients are worked on: here, or by the workers of a Dask cluster.",
    )
    scheduler = click.option(
        "--scheduler",
        default="",
        metavar="ADDRESS",
        help="Dask scheduler, as tcp://host:8786; by default a cluster of this machine's own.",
    )
    return engine(scheduler(command))


def state_folder() -> Path:
    """Where this machine keeps what is no result: LIMBAUDIT_STATE_DIR, else the platform's place for it."""
    given = os.environ.get("LIMBAUDIT_STATE_DIR")
    if given:
        return Path(given)
    windows = os.environ.get("LOCALAPPDATA")
    base = windows if sys.platform == "win32" and windows else os.environ.get("XDG_STATE_HOME")
    return Path(base or Path.home() / ".local" / "state") / "limbaudit"


def kept_folder(workspace: Path) -> Path | None:
    """Where the runs on a workspace keep what they checked; None, with a word, on a network file system."""
    from pipeline.errors import WrongUse
    from pipeline.unattended.local_disk import refuse_network_folder
    from pipeline.unattended.memory import place_of

    folder = place_of(state_folder(), workspace) / "kept"
    try:
        refuse_network_folder(folder)
    except WrongUse as problem:
        click.echo(f"limbaudit: {problem} Until then everything is checked anew each time.", err=True)
        return None
    return folder
