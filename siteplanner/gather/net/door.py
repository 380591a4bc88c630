"""The one door to the network: every request goes through here, one at a time.

What it holds to: its own user agent; ``https`` and public addresses alone, but for hosts that the
services file names; certificates verified; no way to another host; limits on time and size; a
wait where a service says that it is busy; an answer that was believed once is not asked again.
"""

from __future__ import annotations

import email.utils
import threading
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from typing import Protocol
from urllib.parse import urljoin

import urllib3

from siteplanner import __version__
from siteplanner.gather.net.answers import Answers
from siteplanner.gather.net.faults import AbsentError, Answer, Check, ServiceError, believed
from siteplanner.gather.net.lines import Lines, place_of, same_host
from siteplanner.gather.services import Manners

_BUSY = (429, 502, 503, 504)
_GONE = (404, 410)
_MOVED = (301, 302, 303, 307, 308)
_PIECE = 65_536
_REDIRECTS = 3
#: Seconds to wait before asking again where the service does not say; doubled each time.
_WAIT_S, _WAIT_429_S = 2.0, 30.0


class Clock(Protocol):
    """What a door needs of time, so that tests do not wait."""

    def now(self) -> datetime:
        """The time of day, UTC."""

    def monotonic(self) -> float:
        """Seconds that only grow."""

    def sleep(self, seconds: float) -> None:
        """Wait."""


class WallClock:
    """Time as it is."""

    def now(self) -> datetime:
        """The time of day, UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds that only grow."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


@dataclass(frozen=True)
class Request:
    """What is asked of a service: ``sends`` says in words what it tells of the property.

    No more than ``most`` bytes are taken as an answer.
    """

    method: str
    address: str
    sends: str
    body: bytes | None
    headers: Mapping[str, str]
    most: int


@dataclass
class Door:
    """Asks services, in turn. ``sent`` counts requests by host and by what was told to it."""

    manners: Manners
    answers: Answers
    clock: Clock = field(default_factory=WallClock)
    lines: Lines = field(init=False)
    sent: Counter[tuple[str, str]] = field(default_factory=Counter)
    _turn: threading.RLock = field(default_factory=threading.RLock)

    def __post_init__(self) -> None:
        self.lines = Lines(self.manners)

    @property
    def today(self) -> date:
        """The day of the answers that are fetched now."""
        return self.clock.now().date()

    def get(
        self, address: str, sends: str, *, check: Check = believed, most_bytes: int | None = None
    ) -> Answer:
        """Give an address's whole content.

        ``sends`` says in words what the request tells of the property; ``check`` raises
        :class:`ServiceError` for an answer that is none, which is then not kept. Raises
        :class:`ServiceError` (:class:`AbsentError` for what is not there).
        """
        return self._ask("GET", address, sends, check=check, most_bytes=most_bytes)

    def post(self, address: str, form: bytes, sends: str, *, check: Check = believed) -> Answer:
        """Send a form (as it is encoded) and give the answer."""
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        return self._ask("POST", address, sends, body=form, headers=kind, check=check)

    def head(self, address: str, sends: str) -> Answer:
        """Say what lies at an address: the answer has headers and no content."""
        return self._ask("HEAD", address, sends)

    def part(self, address: str, first: int, last: int, sends: str, *, check: Check) -> Answer:
        """Give the bytes from ``first`` to ``last``, both included, and nothing else."""
        length = last - first + 1

        def whole(answer: Answer) -> None:
            said = answer.headers.get("content-range", "")
            if answer.status != 206 or not said.startswith(f"bytes {first}-{last}/"):
                raise ServiceError("it does not give files by parts (byte ranges)")
            if len(answer.body) != length:
                raise ServiceError("its answer was cut short")
            check(answer)

        wanted = {"Range": f"bytes={first}-{last}"}
        return self._ask("GET", address, sends, headers=wanted, check=whole, most_bytes=length)

    def _ask(
        self,
        method: str,
        address: str,
        sends: str,
        *,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        check: Check = believed,
        most_bytes: int | None = None,
    ) -> Answer:
        most = int(self.manners.most_mb * 1e6) if most_bytes is None else most_bytes
        request = Request(method, address, sends, body, headers or {}, most)
        key = self.answers.key(method, address, body, request.headers.get("Range", ""))
        with self._turn:
            found = self.answers.find(key, self.clock.now())
            if found is not None:
                return found
            answer = self._patiently(request)
            check(answer)
            self.answers.keep(key, answer, self.clock.now())
            return answer

    def _patiently(self, request: Request) -> Answer:
        """Ask until there is an answer that is none of a busy service or a broken line."""
        for left in range(self.manners.tries - 1, -1, -1):
            wait = _WAIT_S * 2 ** (self.manners.tries - 1 - left)
            try:
                answer = self._follow(request)
            except urllib3.exceptions.HTTPError as error:
                trouble = ServiceError(_in_words(error))
            else:
                if answer.status not in _BUSY:
                    return _as_promised(answer)
                trouble = ServiceError(f"it is busy or out of order (status {answer.status})")
                wait = max(wait, _WAIT_429_S if answer.status == 429 else 0)
                wait = self._asked_for(answer, wait)
            if not left or wait > self.manners.longest_wait_s:
                raise trouble
            self.clock.sleep(wait)
        raise AssertionError("tries is at least one")

    def _asked_for(self, answer: Answer, otherwise: float) -> float:
        """Seconds that ``Retry-After`` asks for (RFC 9110, 10.2.3), a number or a date."""
        said = answer.headers.get("retry-after", "").strip()
        if said.isdigit():
            return float(said)
        try:
            until = email.utils.parsedate_to_datetime(said)
        except ValueError:
            return otherwise
        until = until if until.tzinfo else until.replace(tzinfo=UTC)
        return max((until - self.clock.now()).total_seconds(), 0.0)

    def _follow(self, request: Request) -> Answer:
        """Ask, and follow to other addresses of the same host."""
        for _ in range(_REDIRECTS + 1):
            answer = self._once(request)
            if answer.status not in _MOVED:
                return answer
            to = urljoin(request.address, answer.headers.get("location", ""))
            if not same_host(to, request.address):
                raise ServiceError(
                    f"it sends on to {place_of(to).host or 'nowhere'}, which is not followed; "
                    "if the service has moved, write its new address into a services file"
                )
            request = replace(request, address=to)
        raise ServiceError("it sends on in a circle")

    def _once(self, request: Request) -> Answer:
        contact = f" ({self.manners.contact})" if self.manners.contact else ""
        own = {
            "User-Agent": f"siteplanner/{__version__} gather{contact}",
            "Accept-Encoding": "identity",
            **request.headers,
        }
        end = self.clock.monotonic() + self.manners.whole_s

        def went() -> None:
            self.sent[(str(place_of(request.address).netloc), request.sends)] += 1

        with self.lines.opened(
            request.method, request.address, request.body, own, went
        ) as response:
            said = {name.lower(): value for name, value in response.headers.items()}
            if "Range" in request.headers and response.status == 200:
                raise ServiceError("it does not give files by parts (byte ranges)")
            if response.status not in (200, 206):  # of a refusal a few words are enough
                words = response.read1(_PIECE) if request.method != "HEAD" else b""
                response.close()
                return Answer(response.status, said, words, request.address, self.today)
            pieces = bytearray()
            while request.method != "HEAD" and (piece := response.read1(_PIECE)):
                pieces += piece
                if len(pieces) > request.most:
                    raise ServiceError(f"its answer is larger than {request.most / 1e6:.3g} MB")
                if self.clock.monotonic() > end:
                    raise ServiceError(f"its answer took longer than {self.manners.whole_s:.0f} s")
            return Answer(response.status, said, bytes(pieces), request.address, self.today)


def _as_promised(answer: Answer) -> Answer:
    if answer.status in _GONE:
        raise AbsentError("it has nothing at this address (status 404)")
    if answer.status not in (200, 206):
        raise ServiceError(f"it refuses the request (status {answer.status}{_reason(answer)})")
    return answer


def _reason(answer: Answer) -> str:
    """What a refusal says of itself, if it is short and plain."""
    text = answer.body[:4000].decode("utf-8", "replace").strip()
    plain = " ".join(text.split())
    return f": {plain}" if 0 < len(plain) <= 200 and "<" not in plain else ""


def _in_words(error: urllib3.exceptions.HTTPError) -> str:
    kinds: tuple[tuple[type[Exception], str], ...] = (
        (urllib3.exceptions.TimeoutError, "it did not answer in time"),
        (urllib3.exceptions.SSLError, "its certificate is not valid"),
        (urllib3.exceptions.ProtocolError, "its answer was cut short"),
    )
    reason = getattr(error, "reason", None)
    for one in (error, reason):
        for kind, words in kinds:
            if isinstance(one, kind):
                return words
    return "it cannot be reached"
