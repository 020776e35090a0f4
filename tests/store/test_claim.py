"""Who writes to a remote store: one run at a time, whatever was killed; whoever comes second is told."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest

from miner.errors import StoreError, UsageError
from miner.store import Store
from miner.store.claim import FILE, Claim, Lock, release, unclaimed
from miner.store.places import Remote, located

pytest.importorskip("fsspec", reason="fsspec is not installed (the extra `remote`)")

HOLDS_ITS_CLAIM = """
import sys
from miner.store.claim import Claim
from miner.store.places import located
claim = Claim(located(sys.argv[1]))
print("claimed", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def folder(bucket: str) -> Remote:
    """A place in a bucket."""
    place = located(bucket)
    assert isinstance(place, Remote)
    return place


def other_run(folder: Remote, **environment: str) -> subprocess.Popen[str]:
    """A process that has claimed the place."""
    run = subprocess.Popen(
        [sys.executable, "-c", HOLDS_ITS_CLAIM, folder.url],
        env=os.environ | environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert run.stdout is not None
    assert run.stdout.readline() == "claimed\n"
    return run


def test_windows_locks_one_byte_for_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """There a lock is of the byte where the file stands: the first, also of a guard that holds a token."""
    asked: list[tuple[str, int, int]] = []
    system = SimpleNamespace(
        LK_NBLCK="lock",
        LK_UNLCK="unlock",
        locking=lambda file, what, size: asked.append((what, os.lseek(file, 0, os.SEEK_CUR), size)),
    )
    busy = StoreError("taken")
    monkeypatch.setitem(sys.modules, "msvcrt", system)

    with (tmp_path / "guard").open("a+") as file:
        file.write("token")
        file.flush()
        with monkeypatch.context() as there:
            there.setattr(sys, "platform", "win32")
            lock = Lock(file, busy)
            file.read()
            lock.close()

    assert asked == [("lock", 0, 1), ("unlock", 0, 1)]
    assert file.closed


def kill(run: subprocess.Popen[str]) -> None:
    with run:
        run.send_signal(signal.SIGKILL)


def test_a_claim_keeps_others_out_until_it_is_closed(folder: Remote) -> None:
    """Also those that only look; then there is nothing left of it."""
    with closing(Claim(folder)):
        with pytest.raises(StoreError, match="another run of this machine is at work"):
            Claim(folder)
        with (
            pytest.raises(
                StoreError, match=f"another run is at work in this store: process {os.getpid()} on "
            ),
            unclaimed(folder),
        ):
            pass

    assert not (folder / FILE).exists()
    with unclaimed(folder):
        Claim(folder).close()


@pytest.mark.posix
def test_the_claim_of_a_killed_run_of_this_machine_is_taken_over(
    folder: Remote, caplog: pytest.LogCaptureFixture
) -> None:
    """While it lives it is refused; once it is killed, nobody need do anything."""
    other = other_run(folder)
    with pytest.raises(StoreError, match="another run of this machine"):
        Claim(folder)
    kill(other)
    assert (folder / FILE).exists()

    with closing(Claim(folder)):
        pass

    assert "the run before was killed; this one takes its place" in caplog.text
    assert not (folder / FILE).exists()


@pytest.mark.posix
def test_the_claim_of_another_machine_stays_until_it_is_unlocked(folder: Remote, tmp_path: Path) -> None:
    """Another machine has other temporary files: nobody here can know whether its run is alive."""
    (tmp_path / "elsewhere").mkdir()
    other = other_run(folder, TMPDIR=str(tmp_path / "elsewhere"))
    kill(other)
    with pytest.raises(
        StoreError, match=rf"process {other.pid} on .*, since \d{{4}}-.*`miner unlock --store s3://"
    ):
        Claim(folder)

    assert release(folder).startswith(f"process {other.pid} on ")

    assert release(folder) == ""
    Claim(folder).close()


def test_a_damaged_claim_is_a_claim(folder: Remote) -> None:
    """Who knows what it said."""
    (folder / FILE).create(b"{")

    with pytest.raises(StoreError, match="process unknown on unknown"):
        Claim(folder)

    assert (folder / FILE).read_bytes() == b"{"


def test_a_folder_needs_no_unlocking(tmp_path: Path) -> None:
    """Its lock ends with the process."""
    with pytest.raises(UsageError, match="the lock of a folder ends with the run that holds it"):
        release(Store.create(tmp_path / "store").root)
