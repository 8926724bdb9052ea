"""Commands whose use is written down: who, when, what, and how it ended."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any

import click

from pipeline.commands.places import state_folder
from pipeline.errors import LimbauditError, WrongUse

_TOLD = "limbaudit.used"


class Logged(click.Command):
    """A command on a workspace, whose use goes into the workspace's access log, however it ends."""

    def invoke(self, ctx: click.Context) -> Any:
        with _Watched(ctx):
            return super().invoke(ctx)


def used(edition: Path | None = None, subject: str = "") -> None:
    """Say for the log what the command read or wrote.

    Args:
        edition: Folder of the edition; None for one that was made for this once.
        subject: An id that the edition knows, a surgeon or a reviewer; nothing else.
    """
    name = f"{edition.parent.name}/{edition.name}" if edition else "made for this once"
    click.get_current_context().meta[_TOLD] = {"edition": name, "subject": subject}


class _Watched:
    def __init__(self, ctx: click.Context) -> None:
        self.ctx = ctx

    def __enter__(self) -> None:
        pass

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        workspace = self.ctx.params["workspace"]
        if (workspace / "audit.toml").is_file():
            _note(workspace, str(self.ctx.command.name), _exit_code(error), self.ctx.meta.get(_TOLD, {}))


def _exit_code(error: BaseException | None) -> int:
    """What the command ends with; whatever is not a way of ours to end is 3."""
    if error is None:
        return 0
    if isinstance(error, SystemExit):
        return error.code if isinstance(error.code, int) else int(error.code is not None)
    if isinstance(error, LimbauditError | click.ClickException | click.exceptions.Exit):
        return error.exit_code
    return 3


def _note(workspace: Path, command: str, exit_code: int, told: dict[str, str]) -> None:
    """Write the line; a log that cannot be written is said aloud and stops nobody."""
    from pipeline.unattended.access_log import FILE, Use, noted_use, user_name
    from pipeline.unattended.memory import place_of

    at = datetime.now().astimezone().isoformat(timespec="seconds")
    place = place_of(state_folder(), workspace)
    try:
        noted_use(place, Use(at, user_name(), command, exit_code=exit_code, **told), _group(workspace))
    except OSError as fault:
        why = fault.strerror or type(fault).__name__
        click.echo(
            f"limbaudit: WARNING: this use of `{command}` could not be written into {place / FILE}: {why}. "
            "Tell whoever looks after the machine.",
            err=True,
        )


def _group(workspace: Path) -> str:
    """The group that may read; nobody where the settings cannot be read."""
    from pipeline.nightly import settings_of

    try:
        return settings_of(workspace).access_group
    except (WrongUse, OSError):
        return ""
