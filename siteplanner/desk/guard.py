"""Who may ask the desk anything: a browser of this machine that was given the key, nobody else.

The desk listens on 127.0.0.1 alone. Any page of the web may still send requests there from the
user's own browser; these are told apart by Host (another name that was made to lead here), by
Origin and Sec-Fetch-Site (a foreign page), and by the key in a cookie that no foreign page sends.
"""

from __future__ import annotations

import hmac
import json
import secrets
from dataclasses import dataclass, field
from typing import Any

from tornado.web import HTTPError, RequestHandler

#: Scripts, styles and pictures come from the desk itself; pictures that a script draws are blobs.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; frame-src 'self'; font-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_READS = ("GET", "HEAD")
_WORDS = {
    400: "This request cannot be understood.",
    403: "This page may not do that. Open the address that siteplanner printed when it started.",
    404: "There is nothing at this address.",
    405: "This cannot be done here.",
    413: "This is larger than the desk takes.",
    421: "This name is not the desk's. Open the address that siteplanner printed when it started.",
}


@dataclass(frozen=True)
class Door:
    """Where the desk is, and the key that opens it."""

    port: int
    key: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)

    @property
    def host(self) -> str:
        """The only Host that is answered."""
        return f"127.0.0.1:{self.port}"

    @property
    def origin(self) -> str:
        """The only Origin that is answered."""
        return f"http://{self.host}"

    @property
    def address(self) -> str:
        """What the user opens, with the key in it."""
        return f"{self.origin}/?key={self.key}"

    @property
    def cookie(self) -> str:
        """Name of the cookie with the key; ports share cookies, so that the port is in it."""
        return f"siteplanner_desk_{self.port}"

    def opens(self, given: str | None) -> bool:
        """Whether this is the key."""
        return hmac.compare_digest((given or "").encode(), self.key.encode())


class Guarded(RequestHandler):
    """A handler that answers only the desk's own page."""

    def initialize(self, door: Door, **more: Any) -> None:
        """Take what all handlers are given."""
        self.door = door
        for name, value in more.items():
            setattr(self, name, value)

    def set_default_headers(self) -> None:
        """Forbid what the page does not need."""
        for name, value in _HEADERS.items():
            self.set_header(name, value)
        self.clear_header("Server")

    def prepare(self) -> None:
        """Refuse whoever is not the desk's own page."""
        headers = self.request.headers
        if self.request.host != self.door.host:
            raise HTTPError(421)
        origin = headers.get("Origin")
        if origin not in (None, self.door.origin):
            raise HTTPError(403)
        if origin is None and self.request.method not in _READS:
            raise HTTPError(403)
        if headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            raise HTTPError(403)
        if not self.may_enter():
            raise HTTPError(403)

    def may_enter(self) -> bool:
        """Whether the request has the key."""
        return self.door.opens(self.get_cookie(self.door.cookie))

    def asked(self) -> dict[str, Any]:
        """Give the JSON object that was sent."""
        try:
            found = json.loads(self.request.body)
        except ValueError:
            raise HTTPError(400) from None
        if not isinstance(found, dict):
            raise HTTPError(400)
        return found

    def say(self, *sentences: str, status: int, **more: Any) -> None:
        """Answer with what is wrong, in sentences."""
        self.set_status(status)
        self.finish(json.dumps({"sentences": sentences, **more}))

    def write_error(self, status_code: int, **_: Any) -> None:
        """Say what is wrong in one sentence, and nothing of the machine."""
        ours = "The desk failed at this. What is saved has not changed. Please report it."
        self.say(_WORDS.get(status_code, ours), status=status_code)


class Nothing(Guarded):
    """The answer to every other address."""

    def prepare(self) -> None:
        """There is nothing, once whoever asks may know."""
        super().prepare()
        raise HTTPError(404)
