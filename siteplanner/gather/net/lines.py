"""Lines to servers: where they may lead, and that the other end is who it says."""

from __future__ import annotations

import ipaddress
import socket
import ssl
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import urllib3
from urllib3.util import Url, parse_url

from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.services import Manners

_PORTS = {"http": 80, "https": 443}


def place_of(address: str) -> Url:
    """Take an address apart, as the line that leads there does."""
    try:
        return parse_url(address)
    except urllib3.exceptions.LocationParseError:
        raise ServiceError("it names an address that is none") from None


def same_host(one: str, other: str) -> bool:
    """Whether two addresses are on the same host, by the same scheme and port."""
    first, second = (place_of(address) for address in (one, other))
    return (first.scheme, first.netloc) == (second.scheme, second.netloc)


@dataclass
class Lines:
    """Opens connections, each to an address that was looked at first, and keeps it open."""

    manners: Manners
    _pools: dict[tuple[str, str, int], urllib3.HTTPConnectionPool] = field(default_factory=dict)
    _dead: Counter[str] = field(default_factory=Counter)

    @contextmanager
    def opened(
        self,
        method: str,
        address: str,
        body: bytes | None,
        headers: dict[str, str],
        went: Callable[[], None],
    ) -> Iterator[urllib3.BaseHTTPResponse]:
        """Send a request and give the response, whose body is not read yet.

        ``went`` is called for a request that was sent, whether or not it is answered.
        Raises :class:`ServiceError` for where no line may lead, and urllib3's own errors.
        """
        parts = place_of(address)
        host = (parts.host or "").strip("[]")
        plain = host in self.manners.plain_hosts
        if parts.scheme != "https" and not (parts.scheme == "http" and plain):
            raise ServiceError(
                f"{parts.scheme or 'no scheme'}://{host} is not asked, only https is; name the "
                "host as one of plain_hosts in a services file if you trust the line to it"
            )
        if parts.auth is not None:
            raise ServiceError("an address with a user's name in it is not asked")
        port = parts.port or _PORTS[parts.scheme]
        pool = self._pool(parts.scheme, host, port, plain)
        limits = urllib3.Timeout(connect=self.manners.connect_s, read=self.manners.read_s)
        try:
            response = pool.urlopen(
                method,
                parts.request_uri,
                body=body,
                headers={"Host": str(parts.netloc), **headers},
                retries=False,
                redirect=False,
                assert_same_host=False,
                timeout=limits,
                preload_content=False,
                decode_content=False,
            )
        except (urllib3.exceptions.NewConnectionError, urllib3.exceptions.ConnectTimeoutError):
            del self._pools[parts.scheme, host, port]
            self._dead[host] += 1  # the next try goes to the host's next address
            raise
        except (urllib3.exceptions.ReadTimeoutError, urllib3.exceptions.ProtocolError):
            went()
            raise
        went()
        try:
            yield response
        except BaseException:
            response.close()  # the rest of an answer is not waited for
            raise
        finally:
            response.release_conn()

    def _pool(self, scheme: str, host: str, port: int, plain: bool) -> urllib3.HTTPConnectionPool:
        """A pool of one connection to the first of the host's addresses that is not dead.

        The host's name is looked up here and the connection made to what was found, so that a
        name cannot mean another place a moment later.
        """
        key = (scheme, host, port)
        if key not in self._pools:
            places = _addresses(host, port, plain)
            place = places[self._dead[host] % len(places)]
            if scheme == "http":
                self._pools[key] = urllib3.HTTPConnectionPool(place, port, maxsize=1)
            else:
                self._pools[key] = urllib3.HTTPSConnectionPool(
                    place,
                    port,
                    maxsize=1,
                    ssl_context=ssl.create_default_context(),
                    server_hostname=host,
                )
        return self._pools[key]


def _addresses(host: str, port: int, plain: bool) -> list[str]:
    """IP addresses of a host, IPv4 first; a private one is refused unless the host is named."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise ServiceError("its name cannot be looked up; is this computer online?") from None
    places = list(dict.fromkeys(str(one[4][0]) for one in sorted(found, key=lambda f: f[0])))
    if not places:
        raise ServiceError("its name has no address")
    if not plain:
        for place in places:
            if not ipaddress.ip_address(place.partition("%")[0]).is_global:
                raise ServiceError(f"{host} is at the private address {place}, which is not asked")
    return places
