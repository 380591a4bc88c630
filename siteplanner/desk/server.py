"""Serves the desk on this machine: the page, what it asks for, and nothing else."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tornado.httpserver import HTTPServer
from tornado.netutil import bind_sockets
from tornado.web import Application, HTTPError

from siteplanner.base.errors import input_error
from siteplanner.desk.guard import Door, Guarded, Nothing
from siteplanner.desk.handlers import (
    About,
    DrawnLayer,
    EarlierVersions,
    LinesUnder,
    PictureUnder,
    Species,
    Under,
)
from siteplanner.desk.library import MISSING, openlayers
from siteplanner.desk.plan_handlers import (
    Blocks,
    Changes,
    Damage,
    MapBefore,
    PlanFile,
    Planned,
    Trees,
    WordsOf,
)
from siteplanner.desk.planning import Planning
from siteplanner.desk.site_desk import SiteDesk
from siteplanner.desk.start_handlers import Dropped, OpenData, Starting

#: No more is taken in one request, but for a file that is dropped.
LARGEST_BYTES = 32 * 1024 * 1024
_PAGE = Path(__file__).parent / "page"
_TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css"}


class Page(Guarded):
    """The page itself; the key in its address becomes a cookie and leaves the address."""

    desk: SiteDesk

    def may_enter(self) -> bool:
        """The key may stand in the address too."""
        return super().may_enter() or self.door.opens(self.get_query_argument("key", None))

    def get(self) -> None:
        """Take the key, or give the page."""
        if self.get_query_argument("key", None) is not None:
            self.set_cookie(
                self.door.cookie, self.door.key, httponly=True, samesite="Strict", path="/"
            )
            self.redirect("/")
            return
        self.set_header("Content-Type", "text/html; charset=utf-8")
        page = "desk.html" if self.desk.started else "start.html"
        self.finish((_PAGE / page).read_bytes())


class PageFile(Guarded):
    """A script or a style of the page: a name from its folder's list."""

    def get(self, name: str) -> None:
        """Give the file."""
        if name not in {path.name for path in _PAGE.iterdir() if path.suffix in _TYPES}:
            raise HTTPError(404)
        self.set_header("Content-Type", f"{_TYPES[Path(name).suffix]}; charset=utf-8")
        self.finish((_PAGE / name).read_bytes())


class Library(Guarded):
    """The drawing library, out of the package that carries it."""

    def get(self) -> None:
        """Give the library, or say how to have it."""
        path = openlayers()
        if path is None:
            self.say(MISSING, status=404)
            return
        self.set_header("Content-Type", "text/javascript; charset=utf-8")
        self.finish(path.read_bytes())


def application(desk: SiteDesk, door: Door, planning: Planning, words_of: WordsOf) -> Application:
    """Put the desk's addresses together; ``words_of`` writes where plants may go."""
    base: dict[str, Any] = {"door": door}
    site = {**base, "desk": desk, "planning": planning}
    return Application(
        [
            ("/", Page, site),
            (r"/page/([a-z_]+\.[a-z]+)", PageFile, base),
            ("/library/ol.js", Library, base),
            ("/api/start", Starting, site),
            (r"/api/start/file", Dropped, site),
            (r"/api/start/open-data", OpenData, site),
            ("/api/site", About, site),
            ("/api/under", Under, site),
            (r"/api/under/pictures/([A-Za-z0-9_]+)/(about|picture)", PictureUnder, site),
            (r"/api/under/lines/([A-Za-z0-9_]+)", LinesUnder, site),
            (r"/api/drawn/([A-Za-z0-9_]+)", DrawnLayer, site),
            ("/api/species", Species, site),
            (r"/api/earlier/([A-Za-z0-9_]+)", EarlierVersions, site),
            (r"/api/planning/(state|start|stop)", Planned, site),
            ("/api/trees", Trees, site),
            (r"/api/blocks(|/mark|/place|/zones)", Blocks, {**site, "words_of": words_of}),
            ("/api/damage", Damage, site),
            ("/api/changes", Changes, site),
            (r"/plan-before/(map\.html)", MapBefore, site),
            (r"/plan/(.+)", PlanFile, site),
        ],
        default_handler_class=Nothing,
        default_handler_args=base,
        log_function=lambda handler: None,
    )


async def serve(
    folder: Path,
    port: int,
    browser: bool,
    say: Callable[[str], None],
    words_of: WordsOf,
    services: Path | None = None,
) -> None:
    """Serve a site's desk until told to stop; ``say`` is told the address first.

    ``services`` is a file of addresses and limits for open data, the shipped ones by default.

    Raises :class:`~siteplanner.InputError` for a folder or port that cannot be used.
    """
    desk = SiteDesk(folder, services)
    try:
        sockets = bind_sockets(port, "127.0.0.1")
    except OSError as error:
        raise input_error(
            f"port {port}", "", f"it cannot be used ({error.strerror})", "leave out --port"
        ) from None
    door, planning = Door(sockets[0].getsockname()[1]), Planning()
    server = HTTPServer(
        application(desk, door, planning, words_of),
        max_body_size=LARGEST_BYTES, max_buffer_size=LARGEST_BYTES + 65_536,
    )  # fmt: skip
    server.add_sockets(sockets)
    say(door.address)
    enough = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, enough.set)
    if browser:
        await asyncio.to_thread(webbrowser.open, door.address)
    try:
        await enough.wait()
    finally:
        server.stop()
        await planning.close()
