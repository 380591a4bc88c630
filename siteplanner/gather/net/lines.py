"""Lines to servers: where they may lead, and that the other end is who it says."""

from __future__ import annotations

import ipaddress
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import urllib3

from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.services import Manners

_PORTS = {"http": 80, "https": 443}


@dataclass
class Lines:
    """Opens connections, each to an address that was looked at first, and keeps it open."""

    manners: Manners
    _pools: dict[tuple[str, str, int], urllib3.HTTPConnectionPool] = field(default_factory=dict)

    @contextmanager
    def opened(
        self, method: str, address: str, body: bytes | None, headers: dict[str, str]
    ) -> Iterator[urllib3.BaseHTTPResponse]:
        """Send a request and give the response, whose body is not read yet.

        Raises :class:`ServiceError` for where no line may lead, and urllib3's own errors.
        """
        parts = urlsplit(address)
        host = parts.hostname or ""
        plain = host in self.manners.plain_hosts
        if parts.scheme != "https" and not (parts.scheme == "http" and plain):
            raise ServiceError(
                f"{parts.scheme or 'no scheme'}://{host} is not asked, only https is; name the "
                "host as one of plain_hosts in a services file if you trust the line to it"
            )
        if parts.username is not None:
            raise ServiceError("an address with a user's name in it is not asked")
        port = parts.port or _PORTS[parts.scheme]
        pool = self._pool(parts.scheme, host, port, plain)
        path = parts.path or "/"
        response = pool.urlopen(
            method,
            f"{path}?{parts.query}" if parts.query else path,
            body=body,
            headers={"Host": parts.netloc, **headers},
            retries=False,
            redirect=False,
            assert_same_host=False,
            timeout=urllib3.Timeout(connect=self.manners.connect_s, read=self.manners.read_s),
            preload_content=False,
            decode_content=False,
        )
        try:
            yield response
        except BaseException:
            response.close()  # the rest of an answer is not waited for
            raise
        finally:
            response.release_conn()

    def _pool(self, scheme: str, host: str, port: int, plain: bool) -> urllib3.HTTPConnectionPool:
        """A pool of one connection to the first of the host's addresses.

        The host's name is looked up here and the connection made to what was found, so that a
        name cannot mean another place a moment later.
        """
        key = (scheme, host, port)
        if key not in self._pools:
            place = _addresses(host, port, plain)[0]
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
    if not plain:
        for place in places:
            if not ipaddress.ip_address(place.partition("%")[0]).is_global:
                raise ServiceError(f"{host} is at the private address {place}, which is not asked")
    return places
