"""Serves the desk on this machine: the page, what it asks for, and nothing else."""

from __future__ import annotations

import asyncio
import contextlib
import json
import mimetypes
import signal
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tornado.httpserver import HTTPServer
from tornado.netutil import bind_sockets
from tornado.web import Application, HTTPError, stream_request_body

from siteplanner.after.place import Placed
from siteplanner.base.errors import InputError, input_error
from siteplanner.desk.features import WrongError
from siteplanner.desk.guard import Door, Guarded, Nothing
from siteplanner.desk.library import MISSING, openlayers
from siteplanner.desk.planning import BEHIND, Planning
from siteplanner.desk.saving import HeldError, StaleError
from siteplanner.desk.site_desk import SiteDesk
from siteplanner.desk.starting_page import safe_name

#: No more is taken in one request.
LARGEST_BYTES = 32 * 1024 * 1024
#: The same for a file of heights, which is written as it comes.
LARGEST_FILE = 1024 * 1024 * 1024
WordsOf = Callable[[Placed], list[str]]
_PAGE = Path(__file__).parent / "page"
_TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css"}
#: A plan's map is a program of its own: it may run, save and print, but not act for the desk.
_MAP_POLICY = (
    "sandbox allow-scripts allow-downloads allow-modals; frame-ancestors 'self'; base-uri 'none'"
)
_STALE = (
    "Not saved: this layer was changed in another tab or program since this page read it. Load it "
    "again to go on from there."
)


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


class OnDesk(Guarded):
    """A handler of the site on the desk; its slow work is done beside the loop."""

    desk: SiteDesk
    planning: Planning

    async def beside(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Do work in a thread; what is wrong with the input is answered in sentences."""
        try:
            return await asyncio.to_thread(work, *arguments)
        except InputError as error:
            self.say(*(str(one) for one in error.errors), status=422)
        except OSError as error:
            name = Path(str(error.filename or "")).name
            self.say(f"{name or 'A file'} cannot be used ({error.strerror}).", status=422)
        return None

    def only_once(self) -> None:
        """Nothing is there to start where there is a site."""
        if self.desk.started:
            raise HTTPError(404)


class Starting(OnDesk):
    """A site that is not there yet: what it may start from, and to start it."""

    async def get(self) -> None:
        """Give the files in the folder, and the questions."""
        self.only_once()
        found = await self.beside(self.desk.starting)
        if found is not None:
            self.finish(json.dumps(found))

    async def post(self) -> None:
        """Start the site."""
        self.only_once()
        missing = await self.beside(self.desk.begin, self.asked())
        if missing is not None:
            self.finish(json.dumps({"missing": missing}))


class OpenData(OnDesk):
    """Open data for a site that is not there yet: what would be fetched, and to fetch it."""

    async def post(self) -> None:
        """Say what would be asked of whom; or, where ``fetch`` is true, fetch it."""
        self.only_once()
        asked = self.asked()
        work = self.desk.fetch if asked.get("fetch") is True else self.desk.would_fetch
        found = await self.beside(work, asked)
        if found is not None:
            self.finish(json.dumps(found))


@stream_request_body
class Dropped(OnDesk):
    """A file dropped on the page: it goes into the folder as it comes, under its own name."""

    def prepare(self) -> None:
        """Refuse names and sizes that are not taken; nothing there is replaced."""
        super().prepare()
        connection: Any = self.request.connection
        connection.set_max_body_size(LARGEST_FILE)
        self.beside_it: Path | None = None
        name = safe_name(self.get_query_argument("name", ""))
        if self.desk.started or self.request.method != "PUT":
            raise HTTPError(404)
        if name is None:
            self.say(
                "This kind of file cannot be used here, or its name has odd signs.", status=422
            )
            return
        self.desk.folder.mkdir(exist_ok=True)
        self.target = self.desk.folder / name
        if self.target.exists():
            self.say(f"{name} is in the folder already.", status=409)
            return
        self.beside_it = self.target.with_name(f".{name}.part")
        self.beside_it.write_bytes(b"")

    def data_received(self, chunk: bytes) -> None:
        """Write what has come."""
        if self.beside_it is not None:
            with self.beside_it.open("ab") as file:
                file.write(chunk)

    async def put(self) -> None:
        """All has come: it gets its name."""
        if self.beside_it is None:
            return
        self.beside_it.replace(self.target)
        found = await self.beside(self.desk.starting)
        if found is not None:
            self.finish(json.dumps(found))

    def on_connection_close(self) -> None:
        """Leave no half of a file."""
        if getattr(self, "beside_it", None) is not None:
            self.beside_it.unlink(missing_ok=True)  # type: ignore[union-attr]


class About(OnDesk):
    """What the site is called, what is drawn of it and what is planned."""

    async def get(self) -> None:
        """Give it, and have the process that plans ready."""
        found = await self.beside(self.desk.about)
        if found is not None:
            self.finish(json.dumps(found))
            await self.planning.warm()


class Hillshade(OnDesk):
    """The hillshade: where it lies, or its picture."""

    async def get(self, what: str) -> None:
        """Give its extent, or the picture."""
        found = await self.beside(self.desk.relief)
        if found is None:
            return
        if what == "extent":
            self.finish(json.dumps({"extent": found.extent}))
        else:
            self.set_header("Content-Type", "image/png")
            self.finish(found.picture)


class DrawnLayer(OnDesk):
    """One layer of what is drawn."""

    async def get(self, name: str) -> None:
        """Give its features."""
        await self._answer(self.desk.layer, name)

    async def put(self, name: str) -> None:
        """Save its features."""
        asked = self.asked()
        try:
            version, features = str(asked["version"]), asked["features"]
        except KeyError:
            raise HTTPError(400) from None
        try:
            await self._answer(self.desk.save, name, version, features)
        except StaleError:
            self.say(_STALE, status=409)
        except HeldError as error:
            self.say(
                f"Not saved: {error} is open in another program. Save and close it there first.",
                status=423,
            )
        except WrongError as error:
            errors = [{"feature": n, "column": c, "sentence": s} for n, c, s in error.errors]
            said = dict.fromkeys(sentence for _, _, sentence in error.errors)
            self.say(*said, status=422, errors=errors)

    async def _answer(self, work: Callable[..., Any], *arguments: Any) -> None:
        found = await self.beside(work, *arguments)
        if self._finished:
            return
        if found is None:
            raise HTTPError(404)
        self.finish(json.dumps(found))


class Planned(OnDesk):
    """Planning: what it is doing, and to start and stop it."""

    async def get(self, what: str) -> None:
        """Give the state once it has changed."""
        if what != "state":
            raise HTTPError(405)
        number = self.get_query_argument("after", "-1")
        if not number.lstrip("-").isdigit():
            raise HTTPError(400)
        state = await self.planning.after(int(number))
        self.finish(json.dumps({**state.plain(), "plan": self.planning.shown(self.desk.plan())}))

    async def post(self, what: str) -> None:
        """Start or stop."""
        if what == "stop":
            await self.planning.stop()
        elif what == "start":
            folder = await self.beside(lambda: self.desk.plan_folder)
            if folder is None:
                return
            only = self.asked().get("only") if self.request.body else None
            if only and self.planning.ahead("map.html"):
                self.say(BEHIND, status=409)
                return
            names = [str(name) for name in only] if isinstance(only, list) else []
            self.planning.start(self.desk.path, folder, names)
        else:
            raise HTTPError(405)
        self.finish(json.dumps(self.planning.state.plain()))


class Blocks(OnDesk):
    """The plan's blocks: what has become of them, and where plants on hand may go."""

    words_of: WordsOf

    async def get(self, what: str) -> None:
        """List them."""
        if what:
            raise HTTPError(405)
        await self._answer(self.desk.blocks)

    async def post(self, what: str) -> None:
        """Mark some, or say where plants may go."""
        work = {
            "/mark": self.desk.mark,
            "/place": self._where_to,
            "/zones": self.desk.take_zones,
        }.get(what)
        if work is None:
            raise HTTPError(405)
        await self._answer(work, self.asked())

    def _where_to(self, asked: dict[str, Any]) -> dict[str, Any]:
        return {"lines": [line for line in self.words_of(self.desk.where_to(asked)) if line]}

    async def _answer(self, work: Callable[..., Any], *arguments: Any) -> None:
        found = await self.beside(work, *arguments)
        if found is not None:
            self.finish(json.dumps(found))


class PlanFile(OnDesk):
    """A file of the plan: a name from the plan's own list."""

    def get(self, name: str) -> None:
        """Give the file; the map in a sandbox."""
        path = self.planning.ahead(name) or self.desk.plan_file(name)
        if path is None:
            raise HTTPError(404)
        kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
        if kind == "text/html":
            self.set_header("Content-Security-Policy", _MAP_POLICY)
            self.set_header("Content-Type", "text/html; charset=utf-8")
        else:
            self.set_header("Content-Type", kind)
            self.set_header("Content-Disposition", f'attachment; filename="{path.name}"')
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
            (r"/api/hillshade/(extent|picture)", Hillshade, site),
            (r"/api/drawn/([A-Za-z0-9_]+)", DrawnLayer, site),
            (r"/api/planning/(state|start|stop)", Planned, site),
            (r"/api/blocks(|/mark|/place|/zones)", Blocks, {**site, "words_of": words_of}),
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
