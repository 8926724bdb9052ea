"""One run at a time, and who holds it."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.errors import Away, CannotFinish
from pipeline.unattended.lock import HOLDER, held

HOLD = """
import sys, time
from pathlib import Path
from pipeline.unattended.lock import held
with held(Path(sys.argv[1]), "limbaudit run"):
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def holder(tmp_path: Path):
    """Another process that holds the folder."""
    process = subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


def test_who_comes_second_is_told_who_holds_it(tmp_path, holder):
    with (
        pytest.raises(
            CannotFinish, match=rf"limbaudit run, process {holder.pid} on .*, since 20\d\d-"
        ) as told,
        held(tmp_path, "other"),
    ):
        pass
    assert told.value.exit_code == 3


def test_the_holder_killed_it_is_free(tmp_path, holder):
    os.kill(holder.pid, signal.SIGKILL)
    holder.wait()
    begun = time.monotonic()
    with held(tmp_path, "other"):
        assert "other" in (tmp_path / HOLDER).read_text()
    assert time.monotonic() - begun < 5


def test_where_nothing_was_written_nothing_is_left(tmp_path):
    with pytest.raises(ValueError, match="inside"), held(tmp_path / "editions", "one"):
        raise ValueError("inside")
    assert not (tmp_path / "editions").exists()


def test_given_back_after_the_block_also_if_it_fails(tmp_path):
    with pytest.raises(ValueError, match="inside"), held(tmp_path, "one"):
        raise ValueError("inside")
    with held(tmp_path, "two"):
        pass
    assert not (tmp_path / HOLDER).exists()


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(Away, match=r"cannot be written: .*Nothing was changed") as told,
        held(tmp_path / "file" / "editions", "one"),
    ):
        pass
    assert told.value.exit_code == 3
