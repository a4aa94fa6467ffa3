"""The page over HTTP on this machine alone, and the line that answers it.

Whoever asks must name this address as host and origin and hold the cookie that the address
with its token is exchanged for. One thread answers, the newest request of a page first;
what is overtaken is left where it stands.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import os
import signal
import sys
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

from tornado.httpserver import HTTPServer
from tornado.web import Application, HTTPError, RequestHandler
from tornado.websocket import WebSocketClosedError, WebSocketHandler

from percsim.boxes.folder import write_atomically
from percsim.errors import FolderError, PercsimError
from percsim.live.address import Address
from percsim.live.knobs import Settings
from percsim.live.parts import Asked, box_job, difference, page, seen, steps, waiting
from percsim.live.session import Session, View
from percsim.report.cups import cup_sheet
from percsim.words.live import NOTES

__all__ = ["Hub", "serve"]

LARGEST = 1_000_000
"""Bytes of the largest message that is taken."""
LONGEST = 2_000
"""Letters of the longest setting."""

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; connect-src 'self'; "
    # the plots write styles of their own
    "style-src 'self' 'unsafe-inline'; img-src 'self' data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}

FILES = {
    "/live.css": ("percsim.live", "page/live.css", "text/css"),
    "/live.js": ("percsim.live", "page/live.js", "text/javascript"),
    "/box.js": ("percsim.live", "page/box.js", "text/javascript"),
    "/figures.js": ("percsim.live", "page/figures.js", "text/javascript"),
    "/bokeh.js": ("bokeh", "server/static/js/bokeh.min.js", "text/javascript"),
    "/bokeh-api.js": ("bokeh", "server/static/js/bokeh-api.min.js", "text/javascript"),
}
"""All that is served besides the page: where it lies, and its type."""


@dataclass(eq=False)
class Hub:
    """One folder, its pages, and who may save.

    Parameters
    ----------
    folder : Path
        Results folder.
    command : tuple of str
        What computes the folder first, as arguments of the command line; empty where it is
        finished.
    beside : Path or None
        A second folder to compare with.
    saves : bool
        Whether nobody else saves in the folder.

    """

    folder: Path
    command: tuple[str, ...] = ()
    beside: Path | None = None
    saves: bool = True
    session: Session | None = None
    other: View | None = None
    pages: list[Line] = field(default_factory=list)
    running: asyncio.subprocess.Process | None = None
    busy: bool = False
    pool: ThreadPoolExecutor = field(
        default_factory=lambda: ThreadPoolExecutor(1, "answer"), repr=False
    )

    def __post_init__(self) -> None:
        if not self.command:
            self.session = Session(self.folder)
        if self.beside is not None:
            self.other = Session(self.beside).look({})

    def locked(self, line: Line) -> bool:
        """Whether saving is left to another page."""
        return not self.saves or not self.pages or self.pages[0] is not line

    def tell(self, message: Mapping[str, Any]) -> None:
        """Tell all pages."""
        for line in self.pages:
            line.send(message)

    async def work(self, what: Callable[[], Any]) -> Any:
        """Have something done by the one thread that answers."""
        return await asyncio.get_running_loop().run_in_executor(self.pool, what)

    async def run(self, arguments: tuple[str, ...]) -> None:
        """Compute boxes into the folder by the command line, and tell how far it is."""
        self.busy = True
        self.running = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "percsim", "run", *arguments,
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )  # fmt: skip
        last = ""
        assert self.running.stderr is not None
        async for raw in self.running.stderr:
            last = raw.decode(errors="replace").strip() or last
            self.tell({"progress": last})
        code = await self.running.wait()
        self.running, self.busy = None, False
        if code == 0:
            await self.work(self.reload)
            self.tell({"progress": NOTES["finished"], "reload": bool(self.command)})
            self.command = ()
        else:
            stopped = code in (130, -signal.SIGINT)
            self.tell(
                {"progress": NOTES["stopped"] if stopped else NOTES["failed"].format(last)}
            )
        for line in self.pages:
            line.again()

    def reload(self) -> None:
        """Take in what a run has stored."""
        if self.session is None:
            self.session = Session(self.folder)
        else:
            self.session.load()

    def stop(self) -> None:
        """Stop the boxes that are being computed; what is finished is stored."""
        if self.running is not None:
            with suppress(ProcessLookupError):
                self.running.send_signal(signal.SIGINT)

    async def close(self) -> None:
        """Leave nothing running and nothing claimed."""
        if self.running is not None:
            self.stop()
            await self.running.wait()
        self.pool.shutdown(wait=False, cancel_futures=True)


class Guarded(RequestHandler):
    """Refuses whoever is not the page."""

    hub: Hub
    address: Address

    def initialize(self, hub: Hub, address: Address) -> None:
        self.hub, self.address = hub, address

    def set_default_headers(self) -> None:
        for name, value in HEADERS.items():
            self.set_header(name, value)
        self.clear_header("Server")

    def prepare(self) -> None:
        host = self.request.headers.get("Host", "")
        origin = self.request.headers.get("Origin")
        if host not in self.address.hosts or origin not in (None, f"http://{host}"):
            raise HTTPError(403)
        if not self.known():
            raise HTTPError(403)

    def known(self) -> bool:
        """Whether the cookie is held."""
        own = self.get_cookie(self.address.cookie_name, "") or ""
        return hmac.compare_digest(own.encode(), self.address.cookie.encode())

    def write_error(self, status_code: int, **_: Any) -> None:
        self.finish(f"{status_code}")


class Front(Guarded):
    """The page; with the token it hands out the cookie."""

    def known(self) -> bool:
        return "token" in self.request.arguments or super().known()

    async def get(self) -> None:
        token = self.get_query_argument("token", None)
        if token is not None:
            if not hmac.compare_digest(token.encode(), self.address.token.encode()):
                raise HTTPError(403)
            self.set_cookie(
                self.address.cookie_name, self.address.cookie, httponly=True,
                samesite="Strict", path="/",
            )  # fmt: skip
            self.redirect("/", status=303)
            return
        session = self.hub.session
        if session is None:
            self.finish(waiting(self.hub.folder))
            return
        beside = "" if self.hub.beside is None else self.hub.beside.resolve().name
        self.finish(page(session, beside))


class File(Guarded):
    """One of the files that belong to the page."""

    def get(self) -> None:
        package, name, kind = FILES[self.request.path]
        self.set_header("Content-Type", f"{kind}; charset=utf-8")
        self.set_header("Cache-Control", "no-cache")
        self.finish(resources.files(package).joinpath(name).read_bytes())


class Line(Guarded, WebSocketHandler):
    """The line of one page: requests in, answers out."""

    def initialize(self, hub: Hub, address: Address) -> None:
        super().initialize(hub, address)
        self.last: Asked | None = None
        self.wanted: Asked | None = None
        self.readings = ""
        self.answering = False
        self.solving = False

    def check_origin(self, origin: str) -> bool:
        return origin == f"http://{self.request.headers.get('Host')}"

    def open(self, *_: str, **__: str) -> None:
        self.hub.pages.append(self)
        self.greet()

    def on_close(self) -> None:
        if self in self.hub.pages:
            self.hub.pages.remove(self)
        self.wanted = None
        for line in self.hub.pages:
            line.greet()

    def greet(self) -> None:
        """Say whether this page may save, and whether boxes are being computed."""
        self.send({"locked": self.hub.locked(self), "running": self.hub.busy})

    def send(self, message: Mapping[str, Any]) -> None:
        with suppress(WebSocketClosedError):
            self.write_message(json.dumps(message, allow_nan=False))

    async def on_message(self, message: str | bytes) -> None:
        try:
            told = json.loads(message)
            (name,) = told.keys() & ACTIONS.keys()
            await ACTIONS[name](self, told)
        except PercsimError as error:
            self.send({"note": str(error)})
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            self.send({"note": "?"})

    # ------------------------------------------------------------------ answers
    async def ask(self, told: Mapping[str, Any]) -> None:
        at, pin = told.get("at"), told.get("pin")
        self.last = Asked(
            int(told["ask"]), _settings(told["settings"]),
            None if at is None else (float(at[0]), float(at[1])),
            None if pin is None else _settings(pin),
        )  # fmt: skip
        self.again()

    async def read(self, told: Mapping[str, Any]) -> None:
        self.readings = str(told["readings"])[:LARGEST]

    def again(self) -> None:
        """Answer what was asked last, with all that has changed since."""
        if self.last is None or self.hub.session is None:
            return
        self.wanted = replace(
            self.last, readings=self.readings, running=self.hub.busy,
            locked=self.hub.locked(self),
        )  # fmt: skip
        if not self.answering:
            self.answering = True
            asyncio.get_running_loop().create_task(self.answer())

    async def answer(self) -> None:
        """Answer until nothing newer is asked; what is overtaken stops at a piece's end."""
        try:
            while self.wanted is not None and self.hub.session is not None:
                asked, self.wanted = self.wanted, None
                pieces = steps(self.hub.session, asked, self.hub.other)
                while self.wanted is None:
                    message = await self.hub.work(partial(next, pieces, None))
                    if message is None:
                        break
                    if message:
                        self.send(message)
        except Exception as error:
            # the page must hear of it; the next request is answered as any other
            self.send({"note": f"{type(error).__name__}: {error}"})
        finally:
            self.answering = False

    # ------------------------------------------------------------------ saving and running
    async def save(self, told: Mapping[str, Any]) -> None:
        session, asked = self.hub.session, self.last
        if session is None or asked is None:
            return
        kind, settings = str(told["save"]), asked.settings
        if kind == "difference":
            _, lines = await self.hub.work(partial(difference, session, settings))
            self.send({"difference": lines or NOTES["nothing"]})
            return
        if self.hub.locked(self):
            raise FolderError(NOTES["saving elsewhere"])
        if kind == "plan":
            text, lines = await self.hub.work(partial(difference, session, settings))
            self.send({"difference": lines or NOTES["nothing"]})
            made = ("explored.toml", text)
        elif kind == "readings":
            if not self.readings:  # a file of before is left as it is
                raise FolderError(NOTES["no readings"])
            made = ("readings.csv", self.readings)
        else:
            made = ("explored.html", await self.hub.work(
                partial(seen, session, settings, self.readings)
            ))  # fmt: skip
        written = await self.hub.work(
            partial(write_atomically, self.hub.folder / made[0], made[1])
        )
        self.send({"note": NOTES["saved"].format(written), "saved": kind})

    async def sheet(self, told: Mapping[str, Any]) -> None:
        session, asked = self.hub.session, self.last
        if session is None or asked is None:
            return
        view = await self.hub.work(partial(session.look, asked.settings, self.readings))
        self.send({"sheet": cup_sheet(view.plan, view.whole)})

    async def box(self, told: Mapping[str, Any]) -> None:
        session, asked = self.hub.session, self.last
        if session is None or asked is None or self.solving:
            return
        from percsim.live.network import drawn_box

        self.solving = True
        try:
            job = await self.hub.work(
                partial(box_job, session, replace(asked, readings=self.readings))
            )
            self.send({"box": await asyncio.to_thread(drawn_box, job)})
        finally:
            self.solving = False

    async def run(self, told: Mapping[str, Any]) -> None:
        if self.hub.locked(self):
            raise FolderError(NOTES["saving elsewhere"])
        if told["run"] == "stop":
            self.hub.stop()
            return
        session, asked = self.hub.session, self.last
        if self.hub.busy or session is None or asked is None:
            return
        text, _ = await self.hub.work(partial(difference, session, asked.settings))
        plan = write_atomically(self.hub.folder / "explored.toml", text)
        arguments = (str(plan), "--out", str(self.hub.folder), "--add")
        asyncio.get_running_loop().create_task(self.hub.run(arguments))
        await asyncio.sleep(0)
        self.again()


ACTIONS: dict[str, Callable[[Line, Mapping[str, Any]], Awaitable[None]]] = {
    "ask": Line.ask, "readings": Line.read, "save": Line.save, "sheet": Line.sheet,
    "run": Line.run, "box": Line.box,
}  # fmt: skip
"""What a page may ask for."""


def _settings(told: Any) -> Settings:
    """Read settings of a message; ValueError if they are none."""
    if not isinstance(told, dict) or len(told) > 100:
        raise ValueError
    found = {str(k): v for k, v in told.items()}
    if not all(isinstance(v, str) and len(v) <= LONGEST for v in found.values()):
        raise ValueError
    return found


async def _ahead(hub: Hub) -> None:
    """Work out the first answer while the browser starts."""
    session = hub.session
    if session is not None:
        with suppress(Exception):  # whoever asks for it is told
            await hub.work(partial(session.look, {}))


async def serve(hub: Hub, address: Address) -> None:
    """Serve a folder until it is cancelled.

    Parameters
    ----------
    hub : Hub
        The folder.
    address : Address
        Where the browser may be waiting already.

    """
    shared = {"hub": hub, "address": address}
    application = Application(
        [
            (r"/", Front, shared),
            (r"/line", Line, shared),
            *((path.replace(".", r"\."), File, shared) for path in FILES),
        ],
        default_handler_class=Nothing,
        default_handler_args=shared,
        websocket_max_message_size=LARGEST,
        websocket_ping_interval=20,
        log_function=lambda _: None,
    )
    server = HTTPServer(application, max_body_size=LARGEST, max_buffer_size=2 * LARGEST)
    server.add_sockets(address.sockets)
    loop, ended = asyncio.get_running_loop(), asyncio.Event()
    with suppress(NotImplementedError):  # where a system has no signals, it ends at once
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, ended.set)
    try:
        loop.create_task(hub.run(hub.command) if hub.command else _ahead(hub))
        await ended.wait()
    finally:
        server.stop()
        await hub.close()


class Nothing(Guarded):
    """Any other path."""

    def prepare(self) -> None:
        super().prepare()
        raise HTTPError(404)
