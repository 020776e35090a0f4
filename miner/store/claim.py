"""Who writes to a remote store: a file there that names him, since no lock of a system reaches so far.

On this machine a lock is held besides, which ends with the process: a claim that is left by a run of this
machine whose lock is free is that of a run that was killed, and the next one takes it over. What a run of
another machine has left stays until somebody takes it away: nobody here can know whether that run is alive.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import secrets
import socket
import tempfile
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Self

from miner.errors import Place, StoreError
from miner.store.change import locks
from miner.store.places import Remote

_log = logging.getLogger(__name__)

FILE = "writer.json"


class Claim:
    """The right to write to a remote store, until it is closed."""

    def __init__(self, root: Remote) -> None:
        """Take it. Raises StoreError if another run has it, or the store cannot be written to."""
        self._file = root / FILE
        self._guard = _guard(root)
        if self._guard is not None and not locks(self._guard):
            self._guard.close()
            raise _busy(root, "another run of this machine is at work in this store")
        self._contents = json.dumps(
            {
                "host": socket.gethostname(),
                "process": os.getpid(),
                "guard": _token(self._guard),
                "run": secrets.token_hex(8),
            },
            indent=1,
        ).encode()
        try:
            self._take(root)
        except BaseException:
            self._close_guard()
            raise

    def _take(self, root: Remote) -> None:
        if not self._file.create(self._contents):
            there = _claimed(self._file)
            if there and there.get("guard") != json.loads(self._contents)["guard"]:
                raise _taken(root, there)
            _log.warning("%s: the run before was killed; this one takes its place", root)
            self._file.unlink(missing_ok=True)
            self._file.create(self._contents)
        # A server that cannot create a file only where there is none lets two runs through to here.
        if self._file.read_bytes() != self._contents:
            raise _taken(root, _claimed(self._file) or {})

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
            self._close_guard()

    def _close_guard(self) -> None:
        if self._guard is not None:
            self._guard.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def check_unclaimed(root: Remote) -> None:
    """Raises StoreError if a run is at work in a store, or seems to be."""
    if there := _claimed(root / FILE):
        raise _taken(root, there)


def release(root: Remote) -> str:
    """Take away the claim of a run that is dead, and say whose it was; empty: there is none."""
    there = _claimed(root / FILE)
    if not there:
        return ""
    (root / FILE).unlink(missing_ok=True)
    return _described(there)


def _guard(root: Remote) -> IO[str] | None:
    """The file on this machine that is locked while a run is at work; None where it cannot be made."""
    # By the user, too: nobody else could open it.
    whose = hashlib.sha256(f"{root.url} {Path('~').expanduser()}".encode()).hexdigest()
    with suppress(OSError):
        return (Path(tempfile.gettempdir()) / f"miner-{whose[:20]}.lock").open("a+", encoding="ascii")
    return None


def _token(guard: IO[str] | None) -> str:
    """What is known only where the guard is; made when it is first asked for."""
    if guard is None:
        return secrets.token_hex(16)
    guard.seek(0)
    token = guard.read()
    if not token:
        token = secrets.token_hex(16)
        guard.write(token)
        guard.flush()
    return token


def _claimed(file: Remote) -> dict[str, Any]:
    """What a claim says, and since when it is there by the clock of the other side; empty: there is none."""
    try:
        info = file.info()
        told = json.loads(file.read_bytes())
    except FileNotFoundError:
        return {}
    except ValueError:
        told = {}
    times = (info.get(name) for name in ("LastModified", "mtime", "created", "last_modified"))
    since = next((one for one in times if isinstance(one, datetime)), None)
    return {"host": "unknown", "process": "unknown", **told, "since": since}


def _described(claim: dict[str, Any]) -> str:
    since = f", since {claim['since']:%Y-%m-%d %H:%M:%S %Z}" if claim.get("since") else ""
    return f"process {claim.get('process')} on {claim.get('host')}{since}"


def _taken(root: Remote, claim: dict[str, Any]) -> StoreError:
    return _busy(root, f"another run is at work in this store: {_described(claim)}")


def _busy(root: Remote, what: str) -> StoreError:
    return StoreError(
        what,
        where=Place(str(root)),
        advice="wait until it is done. A remote store cannot know of a run that was killed: if that one was, "
        f"`miner unlock --store {root}` takes its claim away",
    )
