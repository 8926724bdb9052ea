"""The scheduler's own server: where its data may lie, and with whom it talks."""

from pathlib import Path

import pytest

from pipeline.errors import WrongUse
from pipeline.unattended.local_disk import refuse_network_folder
from pipeline.unattended.server import quiet_environment

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
