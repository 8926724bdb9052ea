"""The scheduler's own server: where its data may lie, and with whom it talks."""

import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from pipeline.errors import CannotFinish, WrongUse
from pipeline.unattended.local_disk import refuse_network_folder
from pipeline.unattended.server import _alone, _watch, quiet_environment

MOUNTS = """/dev/sda1 / ext4 rw 0 0
tmpfs /run tmpfs rw 0 0
files:/home /home nfs4 rw 0 0
/dev/sdb1 /home/local ext4 rw 0 0
//server/share /mnt/our\\040share cifs rw 0 0
"""


@pytest.fixture
def mounts(tmp_path: Path) -> Path:
    place = tmp_path / "mounts"
    place.write_text(MOUNTS)
    return place


@pytest.mark.parametrize("folder", ["/home/officer/.local/state", "/mnt/our share/state"])
def test_a_network_folder_is_refused(mounts, folder):
    with pytest.raises(WrongUse, match=r"network file system .*LIMBAUDIT_STATE_DIR") as told:
        refuse_network_folder(Path(folder), mounts)
    assert told.value.exit_code == 2


@pytest.mark.parametrize("folder", ["/var/lib/limbaudit", "/home/local/state", "/homework", "/run/x"])
def test_a_disk_of_this_machine_is_not(mounts, folder):
    assert refuse_network_folder(Path(folder), mounts) is None


def test_where_mounts_are_not_told_nothing_is_refused(tmp_path):
    assert refuse_network_folder(Path("/home/x"), tmp_path / "none") is None


def test_nobody_outside_is_talked_to(tmp_path, monkeypatch):
    monkeypatch.setenv("NO_PROXY", "intranet.hospital.test,localhost")
    told = quiet_environment(tmp_path, "http://127.0.0.1:4200/api")
    assert told["NO_PROXY"].split(",") == ["intranet.hospital.test", "localhost", "127.0.0.1"]
    assert told["DO_NOT_TRACK"] == "1"
    assert told["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert told["PREFECT_HOME"] == str(tmp_path)


def test_one_server_alone_serves_a_folder(tmp_path):
    with (
        _alone(tmp_path),
        pytest.raises(CannotFinish, match=r"Another `limbaudit schedule` serves this workspace"),
        _alone(tmp_path),
    ):
        pass
    with _alone(tmp_path):
        pass


def test_the_end_of_the_server_is_the_end_of_the_schedule(monkeypatch, capsys):
    """Asked to end first, and made to where that does not help; a server that was stopped on purpose ends nobody."""
    done: list[object] = []
    monkeypatch.setattr("pipeline.unattended.server.os.kill", lambda process, how: done.append(how))
    monkeypatch.setattr("pipeline.unattended.server.os._exit", done.append)
    monkeypatch.setattr("pipeline.unattended.server.time.sleep", lambda _seconds: None)
    wanted = threading.Event()
    for expected in ([], [signal.SIGTERM, 3]):
        _watch(subprocess.Popen([sys.executable, "-c", ""]), wanted, "It has ended.")
        assert (done, capsys.readouterr().err) == (expected, "limbaudit: It has ended.\n" if expected else "")
        wanted.set()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends a child with its parent")
def test_a_server_does_not_outlive_a_killed_schedule():
    child = (
        "import os, subprocess, sys; from pipeline.ends_with_parent import ends_with_its_parent\n"
        "own = subprocess.Popen(['sleep', '60'], preexec_fn=ends_with_its_parent(), stdout=subprocess.DEVNULL)\n"
        "print(own.pid, flush=True); os.kill(os.getpid(), 9)"
    )
    ended = subprocess.run([sys.executable, "-c", child], capture_output=True, text=True, timeout=60)
    assert ended.returncode == -signal.SIGKILL
    until = time.monotonic() + 10
    while _runs(int(ended.stdout)) and time.monotonic() < until:
        time.sleep(0.05)
    assert not _runs(int(ended.stdout))


def _runs(process: int) -> bool:
    """Whether it is there and not just waiting to be taken note of."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
