"""What a machine remembers of its own lies on its own disk."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import WrongUse

#: Kinds of file systems on which a database file is not safe.
NETWORK_KINDS = (
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "fuse.sshfs",
    "9p",
    "afs",
    "ncpfs",
    "glusterfs",
    "ceph",
)


def refuse_network_folder(folder: Path, mounts: Path = Path("/proc/self/mounts")) -> None:
    """Databases, locks and atomic renames are not to be relied on over a network.

    Args:
        folder: Need not exist.
        mounts: The system's list of mounts; where it lacks nothing is known and nothing refused.

    Raises:
        WrongUse: It lies on one.
    """
    try:
        lines = [line.split() for line in mounts.read_text("utf-8").splitlines()]
    except OSError:
        return
    whole = folder.absolute()
    over = [(Path(point.replace("\\040", " ")), kind) for _, point, kind, *_ in lines]
    holding = [(len(point.parts), kind) for point, kind in over if point == whole or point in whole.parents]
    kind = max(holding, default=(0, ""))[1]
    if kind in NETWORK_KINDS:
        raise WrongUse(
            f"{folder} lies on a network file system ({kind}), where a machine's own memory is not safe. "
            "Set LIMBAUDIT_STATE_DIR to a folder on a disk of this machine."
        )


def on_this_machine(folder: Path) -> Path | None:
    """The folder; None where it lies on a network file system."""
    try:
        refuse_network_folder(folder)
    except WrongUse:
        return None
    return folder
