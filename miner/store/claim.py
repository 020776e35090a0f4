"""Who writes to a store: one run at a time.

Of a folder of this machine a run holds a lock, which ends with the process. In a remote store, where no lock
reaches, a file names the writer. On this machine a lock is held besides: a claim whose lock is free is that
of a run that was killed, and the next run takes it over. A claim of another machine stays until somebody
takes it away: nobody here can know whether that run is alive. Where a place knows no locks at all, as some
shares, a run goes on only `without_locks`.
"""

from __future__ import annotations

import errno
import hashlib
import json
import logging
import os
import secrets
import socket
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from contextvars import ContextVar
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from miner.errors import StoreError, UsageError
from miner.store.places import Location, Remote, located

_log = logging.getLogger(__name__)

FILE = "writer.json"
_NO_LOCKS_THERE = (errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOLCK, errno.ENOSYS)
_goes_without: ContextVar[bool] = ContextVar("goes_without", default=False)


@contextmanager
def without_locks() -> Iterator[None]:
    """Go on where a place knows no locks, as some shares; another run there is not noticed then."""
    before = _goes_without.set(True)
    try:
        yield
    finally:
        _goes_without.reset(before)


def claimed(root: Location) -> Lock | Claim:
    """The right to write to a store, until it is closed.

    Raises StoreError if another run has it, or the store cannot be written to.
    """
    return Claim(root) if isinstance(root, Remote) else _locked(root, "a")


@contextmanager
def unclaimed(root: Location) -> Iterator[None]:
    """Keep runs out while the files of a store are looked at; a folder need not be writable.

    Raises StoreError if a run is at work in the store, or seems to be.
    """
    if isinstance(root, Remote) and (claim := _claim_in(root / FILE)):
        raise _taken(root, claim)
    if isinstance(root, Path) and (root / "lock").exists():
        with closing(_locked(root, "r")):
            yield
    else:
        yield


def release(root: Location | str) -> str:
    """Let others write to a remote store whose writer is dead, and say who that was; empty: nobody.

    Raises UsageError for a local folder, whose lock ends with the run that holds it.
    """
    root = located(root)
    if not isinstance(root, Remote):
        raise UsageError(
            "the lock of a folder ends with the run that holds it",
            where=root,
            advice="end the run that is at work there",
        )
    claim = _claim_in(root / FILE)
    if not claim:
        return ""
    (root / FILE).unlink(missing_ok=True)
    return _described(claim)


def _locked(root: Path, mode: str) -> Lock:
    try:
        lock = (root / "lock").open(mode)
    except OSError as error:
        raise StoreError(
            f"the store cannot be written to: {error.strerror}",
            where=root,
            advice="see that you may write there, or copy it to another place",
        ) from error
    taken = StoreError(
        "another run is at work in this store",
        where=root,
        advice="wait until it is done, or name another folder",
    )
    return Lock(lock, taken)


class Lock:
    """The lock of an open file, until it is closed or the process ends."""

    def __init__(self, file: IO[str], taken: StoreError) -> None:
        """Take it. A file that is only read is locked against those who write: a share gives no other lock.

        Raises `taken` if another has it, StoreError where there are no locks; the file is closed then.
        """
        self._file = file
        try:
            _lock(file)
        except OSError as error:
            if error.errno not in _NO_LOCKS_THERE:
                file.close()
                raise taken from error
            if not _goes_without.get():
                file.close()
                raise StoreError(
                    f"this place knows no locks ({error.strerror}), so that another run would not be noticed",
                    where=Path(file.name).parent,
                    advice="where nobody else can be at work, go on with --no-lock; else name another place",
                ) from error

    def close(self) -> None:
        """Give it back, and close the file."""
        with suppress(OSError):  # there may have been none to take
            _unlock(self._file)
        self._file.close()


def _lock(file: IO[str]) -> None:
    if sys.platform == "win32":
        import msvcrt

        file.seek(0)  # locked is the byte where the file stands, which is to be the same for all
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(file, (fcntl.LOCK_EX if file.writable() else fcntl.LOCK_SH) | fcntl.LOCK_NB)


def _unlock(file: IO[str]) -> None:
    # Elsewhere the lock ends with the file; Windows may take its time with that.
    if sys.platform == "win32":
        import msvcrt

        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)


class Claim:
    """The right to write to a remote store, until it is closed."""

    def __init__(self, root: Remote) -> None:
        """Take it. Raises StoreError if another run has it, or the store cannot be written to."""
        self._file = root / FILE
        guard = _guard(root)
        busy = _busy(root, "another run of this machine is at work in this store")
        self._lock = None if guard is None else Lock(guard, busy)
        token = _token(guard)
        claim = {
            "host": socket.gethostname(),
            "process": os.getpid(),
            "guard": token,
            "run": secrets.token_hex(8),
        }
        try:
            self._take(root, json.dumps(claim, indent=1).encode(), token)
        except BaseException:
            self._give_back()
            raise

    def _take(self, root: Remote, contents: bytes, token: str) -> None:
        if not self._file.create(contents):
            there = _claim_in(self._file)
            if there and there.get("guard") != token:
                raise _taken(root, there)
            _log.warning("%s: the run before was killed; this one takes its place", root)
            self._file.unlink(missing_ok=True)
            self._file.create(contents)
        # A server that cannot create a file only where there is none lets two runs through to here.
        if self._file.read_bytes() != contents:
            raise _taken(root, _claim_in(self._file) or {})

    def close(self) -> None:
        """Give it back."""
        try:
            self._file.unlink(missing_ok=True)
        except StoreError as error:
            _log.warning(
                "%s stays, since %s; a later run of this machine takes it over, one of another machine needs "
                "`miner unlock`",
                self._file,
                error.what,
            )
        finally:
            self._give_back()

    def _give_back(self) -> None:
        if self._lock is not None:
            self._lock.close()


def _guard(root: Remote) -> IO[str] | None:
    """The file on this machine that is locked while a run is at work; None where it cannot be made."""
    # By the user, too: nobody else could open it.
    whose = hashlib.sha256(f"{root.url} {Path('~').expanduser()}".encode()).hexdigest()
    with suppress(OSError):
        return (Path(tempfile.gettempdir()) / f"miner-{whose[:20]}.lock").open("a+", encoding="ascii")
    return None


def _token(guard: IO[str] | None) -> str:
    """A text that is known only where the guard is; made when it is first asked for."""
    if guard is None:
        return secrets.token_hex(16)
    guard.seek(0)
    token = guard.read()
    if not token:
        token = secrets.token_hex(16)
        guard.write(token)
        guard.flush()
    return token


def _claim_in(file: Remote) -> dict[str, Any]:
    """The values of a claim, and since when it is there by the server's clock; empty: there is none."""
    try:
        info = file.info()
        claim = json.loads(file.read_bytes())
    except FileNotFoundError:
        return {}
    except ValueError:
        claim = {}
    times = (info.get(name) for name in ("LastModified", "mtime", "created", "last_modified"))
    since = next((time for time in times if isinstance(time, datetime)), None)
    return {"host": "unknown", "process": "unknown", **claim, "since": since}


def _described(claim: dict[str, Any]) -> str:
    since = f", since {claim['since']:%Y-%m-%d %H:%M:%S %Z}" if claim.get("since") else ""
    return f"process {claim.get('process')} on {claim.get('host')}{since}"


def _taken(root: Remote, claim: dict[str, Any]) -> StoreError:
    return _busy(root, f"another run is at work in this store: {_described(claim)}")


def _busy(root: Remote, what: str) -> StoreError:
    return StoreError(
        what,
        where=root,
        advice="wait until it is done. A remote store cannot know of a run that was killed: if that one was, "
        f"`miner unlock --store {root}` takes its claim away",
    )
