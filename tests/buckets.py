"""A real server that speaks S3 over HTTP on this machine, and a line to it that can be cut.

The server is that of moto (`moto.server`, Apache-2.0, on PyPI), a process of its own: the program's requests
are signed, sent over TCP and answered as the real service answers them, conditional writes included. It keeps
everything in memory, so what fails for a test is the line in between, not the server.
"""

from __future__ import annotations

import os
import selectors
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from tests import servers

PATIENCE_S = 60.0
BUCKET = "club"


class Line:
    """Passes bytes on between a port of its own and that of the server, unless it is cut."""

    def __init__(self, server: int) -> None:
        self._server = server
        self._ends: set[socket.socket] = set()
        self._listener: socket.socket | None = None
        self.port = 0
        self.requests = 0
        self.cut_after: int | None = None  # requests
        self.mend()

    @property
    def is_cut(self) -> bool:
        """Whether nobody gets through."""
        return self._listener is None

    def mend(self) -> None:
        """Let everybody through; on the port of before."""
        self.cut_after = None
        if self._listener is not None:
            return
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, args=(self._listener,), daemon=True).start()

    def cut(self) -> None:
        """Refuse all connections from now on, and break off those that there are."""
        listener, self._listener = self._listener, None
        for end in [*([listener] if listener else []), *self._ends]:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._ends.clear()

    def _accept(self, listener: socket.socket) -> None:
        with suppress(OSError):
            while True:
                end, _ = listener.accept()
                threading.Thread(target=self._pass_on, args=(end,), daemon=True).start()

    def _pass_on(self, end: socket.socket) -> None:
        with suppress(OSError, ValueError), socket.create_connection(("127.0.0.1", self._server)) as server:
            self._ends |= {end, server}
            with selectors.DefaultSelector() as ready:
                ready.register(end, selectors.EVENT_READ, server)
                ready.register(server, selectors.EVENT_READ, end)
                while self._listener is not None:
                    for key, _ in ready.select(0.5):
                        source: Any = key.fileobj
                        data = source.recv(1 << 16)
                        if source is end and b" HTTP/1.1\r\n" in data[:4096]:
                            self._count()
                        if not data or self.is_cut:
                            return
                        key.data.sendall(data)
        end.close()

    def _count(self) -> None:
        self.requests += 1
        if self.cut_after is not None and self.requests >= self.cut_after:
            self.cut()


@contextmanager
def served(log: Path) -> Iterator[Line]:
    """A server with an empty bucket, and the line to it."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with log.open("wb") as told:
        server = servers.start("moto.server", "-H", "127.0.0.1", "-p", str(port), stdout=told, stderr=told)
    line = Line(port)
    try:
        _wait_until_it_answers(port, log)
        yield line
    finally:
        line.cut()
        servers.stop(server)


def environment(line: Line) -> dict[str, str]:
    """By what programs find the server and may talk to it."""
    return {
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{line.port}",
        "AWS_ACCESS_KEY_ID": "key",
        "AWS_SECRET_ACCESS_KEY": "secret",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
        "NO_PROXY": ",".join(filter(None, ["127.0.0.1", os.environ.get("NO_PROXY")])),
    }


def _wait_until_it_answers(port: int, log: Path) -> None:
    end = time.monotonic() + PATIENCE_S
    while True:
        with suppress(OSError):
            socket.create_connection(("127.0.0.1", port), 1).close()
            return
        assert time.monotonic() < end, log.read_text("utf-8", "replace")
        time.sleep(0.05)
