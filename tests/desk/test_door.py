"""Who may ask the desk anything: only its own page, with the key, by its own name."""

import asyncio
import hashlib
import json
import socket
import sqlite3
from contextlib import closing
from http.client import HTTPConnection
from pathlib import Path
from threading import Event, Thread

import pytest
from desk.desk_site import desk_site, in_a_loop
from tornado.httpserver import HTTPServer
from tornado.netutil import bind_sockets

from siteplanner.base.errors import InputError
from siteplanner.cli.printed_place import words_of
from siteplanner.desk import server
from siteplanner.desk.drawing import held
from siteplanner.desk.guard import Door
from siteplanner.desk.library import openlayers
from siteplanner.desk.planning import Planning
from siteplanner.desk.site_desk import SiteDesk

LIBRARY = "c30af874edbd468011a883cbbdb51e8e986f17b440811392cd5aa375077427c7"


class Asked:
    """What a server in a thread of its own answers to raw requests."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.ready, self.loop = folder, Event(), None
        self.thread = Thread(target=lambda: asyncio.run(self.serve()))
        self.thread.start()
        assert self.ready.wait(20)

    async def serve(self) -> None:
        sockets = bind_sockets(0, "127.0.0.1")
        self.loop, self.enough = asyncio.get_running_loop(), asyncio.Event()
        self.door = Door(sockets[0].getsockname()[1])
        http = HTTPServer(
            server.application(SiteDesk(self.folder), self.door, Planning(), words_of),
            max_body_size=server.LARGEST_BYTES,
        )
        http.add_sockets(sockets)
        self.ready.set()
        await self.enough.wait()
        http.stop()

    def close(self) -> None:
        self.loop.call_soon_threadsafe(self.enough.set)
        self.thread.join(20)

    def __call__(self, path, method="GET", *, key=True, body=None, **headers):
        with_key = {"Cookie": f"{self.door.cookie}={self.door.key}"} if key else {}
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        connection = HTTPConnection("127.0.0.1", self.door.port, timeout=20)
        connection.request(method, path, body, {"Host": self.door.host, **with_key, **named})
        answer = connection.getresponse()
        answer.text = answer.read().decode(errors="replace")
        connection.close()
        return answer


@pytest.fixture(scope="module")
def ask(tmp_path_factory):
    folder = tmp_path_factory.mktemp("desk") / "site"
    desk_site(folder)
    asked = Asked(folder)
    yield asked
    asked.close()


def test_without_the_key_nothing_is_answered(ask):
    for path in ("/", "/page/desk.js", "/api/site", "/plan/map.html", "/nothing"):
        answer = ask(path, key=False)
        assert answer.status == 403, path
        assert "Open the address that siteplanner printed" in answer.text
    assert ask("/?key=wrong", key=False).status == 403
    assert ask("/api/site", key=False, Cookie=f"{ask.door.cookie}=wrong").status == 403


def test_the_key_in_the_address_becomes_a_cookie_and_leaves_the_address(ask):
    answer = ask(f"/?key={ask.door.key}", key=False)
    assert answer.status == 302 and answer.headers["Location"] == "/"
    words = {word.strip() for word in answer.headers["Set-Cookie"].split(";")}
    assert {f"{ask.door.cookie}={ask.door.key}", "HttpOnly", "SameSite=Strict"} <= words


@pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1:1", "evil.example:80"])
def test_another_name_that_leads_here_is_refused(ask, host):
    assert ask("/api/site", Host=host).status == 421
    assert ask(f"/?key={ask.door.key}", Host=host).status == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1"])
def test_a_foreign_page_is_refused_though_it_had_the_key(ask, origin):
    for method in ("GET", "POST"):
        assert ask("/api/planning/stop", method, Origin=origin).status == 403
    assert ask("/api/site", Sec_Fetch_Site="cross-site").status == 403
    assert ask("/api/site", Sec_Fetch_Site="same-site").status == 403


def test_a_write_says_where_it_comes_from(ask):
    assert ask("/api/planning/stop", "POST").status == 403
    assert ask("/api/planning/stop", "POST", Origin=ask.door.origin).status == 200


@pytest.mark.parametrize(
    "path",
    [
        "/page/../guard.py", "/page/..%2fguard.py", "/page/guard.py", "/plan/../../site.toml",
        "/plan/..%2f..%2fsite.toml", "/plan/%2e%2e/%2e%2e/site.toml", "/plan//etc/passwd",
        "/api/drawn/land", "/api/drawn/..%2fland", "/api/drawn/paddocks%00", "/library/ol.css",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_lists(ask, path):
    assert ask(path).status == 404


def test_a_plan_gives_only_the_files_on_its_list(ask):
    plan = ask.folder / "maps" / "a-square"
    (plan / "layers").mkdir(parents=True)
    (plan / "map.html").write_text("<p>map</p>")
    (plan / "mine.html").write_text("<p>mine</p>")
    (plan / "out.csv").symlink_to(ask.folder / "site.toml")
    (plan / "plan.json").write_text('{"files": {"map.html": {}, "out.csv": {}, "gone.csv": {}}}')
    answer = ask("/plan/map.html")
    assert (answer.status, answer.text) == (200, "<p>map</p>")
    assert answer.headers["Content-Security-Policy"].startswith("sandbox allow-scripts")
    for name in ("mine.html", "out.csv", "gone.csv", "plan.json", "layers"):
        assert ask(f"/plan/{name}").status == 404, name


def test_the_page_may_run_its_own_scripts_alone(ask):
    page = ask("/")
    policy = dict(
        p.strip().split(" ", 1) for p in page.headers["Content-Security-Policy"].split(";")
    )
    assert policy["script-src"] == "'self'" and policy["default-src"] == "'none'"
    assert policy["frame-ancestors"] == "'none'"
    assert "<script>" not in page.text and " style=" not in page.text
    assert ask("/page/desk.js").headers["X-Content-Type-Options"] == "nosniff"


def test_more_than_the_desk_takes_is_refused(ask):
    connection = socket.create_connection(("127.0.0.1", ask.door.port), 20)
    head = f"PUT /api/drawn/paddocks HTTP/1.1\r\nHost: {ask.door.host}\r\n"
    connection.sendall(f"{head}Content-Length: {server.LARGEST_BYTES + 1}\r\n\r\n".encode())
    assert b" 200 " not in connection.recv(100)
    connection.close()


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b'{"version": "x"}'])
def test_what_is_no_request_is_refused(ask, body):
    answer = ask("/api/drawn/paddocks", "PUT", body=body, Origin=ask.door.origin)
    assert answer.status == 400 and "cannot be understood" in answer.text


def test_a_save_of_a_file_that_is_open_elsewhere_is_refused_in_a_sentence(ask, monkeypatch):
    monkeypatch.setattr(held, "PATIENCE_S", 0.0)
    layer = json.loads(ask("/api/drawn/paddocks").text)
    sent = json.dumps({"version": layer["version"], "features": layer["features"]})
    with closing(sqlite3.connect(ask.folder / "land.gpkg")) as other:
        other.execute("BEGIN IMMEDIATE")
        refused = ask("/api/drawn/paddocks", "PUT", body=sent, Origin=ask.door.origin)
    stale = ask(
        "/api/drawn/paddocks", "PUT", body=sent.replace(layer["version"], "old"),
        Origin=ask.door.origin,
    )  # fmt: skip
    assert (refused.status, stale.status) == (423, 409)
    [said] = json.loads(refused.text)["sentences"]
    assert said == (
        "Not saved: land.gpkg is open in another program. Save and close it there first."
    )
    assert "changed in another tab or program" in stale.text


def test_it_listens_on_this_machine_alone(ask):
    others = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    for address in others - {"127.0.0.1"} - {a for a in others if a.startswith("127.")}:
        with pytest.raises(OSError):
            socket.create_connection((address, ask.door.port), 2)


def test_a_folder_that_cannot_be_is_said(tmp_path):
    with pytest.raises(InputError, match="this folder does not exist, nor the one above it"):
        SiteDesk(tmp_path / "gone" / "site")


def test_a_port_in_use_is_said(ask, tmp_path):
    said = []
    port = ask.door.port
    with pytest.raises(
        InputError, match=rf"port {port}: it cannot be used \(.*\); leave out --port"
    ):
        in_a_loop(server.serve(tmp_path, port, False, said.append, words_of))
    assert said == []


def test_the_drawing_library_is_the_published_build():
    # OpenLayers 10.9, whole, as MapProxy 7.0.0 carries it.
    path = openlayers()
    if path is None:
        pytest.skip("MapProxy is not installed (pip install siteplanner[desk])")
    assert hashlib.sha256(path.read_bytes()).hexdigest() == LIBRARY
