"""Where a folder's page is and what it is asked for with, before anything heavy is loaded.

A browser that comes early waits in the queue of the port.
"""

from __future__ import annotations

import json
import os
import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tornado.netutil import bind_sockets

from percsim.boxes.folder import FolderLock
from percsim.errors import FolderError

__all__ = ["Address", "claimed"]

HOST = "127.0.0.1"
LOCK, CLAIM = ".explore.lock", ".explore.json"
"""Who saves in a folder; and the address it is seen at, so that a page finds it again."""
SECRETS = ("token", "cookie")


@dataclass(frozen=True, slots=True)
class Address:
    """Where the page is, and what it is asked for with; and whether it may save."""

    port: int
    token: str
    cookie: str
    saves: bool
    sockets: list[socket.socket] = field(repr=False)

    @property
    def url(self) -> str:
        """What the browser is sent to."""
        return f"http://{HOST}:{self.port}/?token={self.token}"

    @property
    def hosts(self) -> tuple[str, ...]:
        """Hosts by which it may be asked."""
        return tuple(f"{name}:{self.port}" for name in (HOST, "localhost"))

    @property
    def cookie_name(self) -> str:
        """Cookies know no port, so that the name has it."""
        return f"percsim-{self.port}"


@contextmanager
def claimed(folder: Path) -> Iterator[Address]:
    """Take an address for a folder, that of a server that was killed if there was one."""
    lock: FolderLock | None = None
    with suppress(FolderError):
        lock = FolderLock(folder, LOCK)
    try:
        yield _address(folder, saves=lock is not None)
    finally:
        if lock is not None:
            with suppress(OSError):
                (folder / CLAIM).unlink()
            lock.release()


def _address(folder: Path, *, saves: bool) -> Address:
    before: dict[str, Any] = {}
    if saves:
        with suppress(OSError, ValueError):
            before = json.loads((folder / CLAIM).read_text(encoding="utf-8"))
    port = before.get("port")
    try:
        sockets = bind_sockets(port if isinstance(port, int) else 0, HOST)
    except (OSError, OverflowError):
        sockets, before = bind_sockets(0, HOST), {}
    own = sockets[0].getsockname()[1]
    kept = all(isinstance(before.get(k), str) and len(before[k]) > 30 for k in SECRETS)
    keys = {k: before[k] if kept else secrets.token_urlsafe(32) for k in SECRETS}
    if saves:
        with suppress(OSError):
            handle = os.open(folder / CLAIM, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump({"port": own, **keys}, file)
    return Address(own, **keys, saves=saves, sockets=sockets)
