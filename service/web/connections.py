"""Connections of the server: so many for each address, and none that only waits.

waitress takes 100 connections and then no more, so that somebody who opens a hundred and says
nothing shuts everybody out; and it waits without end for a client that does not fetch its answer,
one thread for each. Here a new connection is always taken: where there are too many, the one that
has been idle longest goes. Who sends or fetches must get on; nobody gets every thread.
"""

from __future__ import annotations

import ipaddress
import socket
import threading
from collections import Counter, defaultdict, deque
from contextlib import suppress
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer

if TYPE_CHECKING:
    from flask import Flask

__all__ = ["MOST_CONNECTIONS", "MOST_OF_ADDRESS", "ConnectionServer"]

MOST_CONNECTIONS: Final = 400
MOST_OF_ADDRESS: Final = 50  # a browser opens six; several people may share an address
_IDLE_S: Final = 60  # without anything under way
_LOOK_S: Final = 5  # how often slow ones are looked for
# Who sends a request or fetches an answer moves so much in such a time, or is cut off. Common
# practice, no source: a third of a kilobyte a second is less than any line in use.
_SLOW_S: Final = 60.0
_LEAST_BYTES: Final = 20_000
_MOST_HEADER: Final = 65_536  # bytes of all headers of a request
# The system's own buffer grows to megabytes, behind which nobody sees whether a client fetches.
_SENDING_BYTES: Final = 131_072
_OPTIONS: Final = [
    (socket.SOL_TCP, socket.TCP_NODELAY, 1),
    (socket.SOL_SOCKET, socket.SO_SNDBUF, _SENDING_BYTES),
]


class _Connection(HTTPChannel):  # type: ignore[misc]  # waitress is untyped
    """One connection, which counts the bytes that it moves."""

    moved = 0
    counted = 0  # of `moved`, at `counted_at`
    counted_at = 0.0

    def __init__(self, server: ConnectionServer, *given: Any, **named: Any) -> None:  # noqa: ANN401
        super().__init__(server, *given, **named)
        server.make_room_for(self)

    @property
    def household(self) -> str:
        return _household(str(self.addr[0]))

    def recv(self, size: int) -> bytes:
        received: bytes = super().recv(size)
        self.moved += len(received)
        return received

    def send(self, piece: bytes, **how: bool) -> int:
        sent: int = super().send(piece, **how)
        self.moved += sent
        return sent

    def service(self) -> None:
        try:
            super().service()
        finally:
            self.server.served(self)

    def is_too_slow(self, now: float) -> bool:
        """Whether the client has been at a request or an answer for long without getting on."""
        under_way = self.request is not None or self.total_outbufs_len
        if not under_way or self.moved - self.counted >= _LEAST_BYTES or not self.counted_at:
            self.counted, self.counted_at = self.moved, now
        return bool(now - self.counted_at > _SLOW_S)

    def cut(self) -> None:
        """End the connection; the loop that owns the socket closes it when it sees the end."""
        self.will_close = True
        with suppress(OSError):
            self.socket.shutdown(socket.SHUT_RDWR)


class ConnectionServer(TcpWSGIServer):  # type: ignore[misc]
    """waitress's server, with its options, and bounds on what one address may take.

    `door` is a socket that is bound; the server listens on it and closes it.
    """

    channel_class = _Connection

    def __init__(self, app: Flask, door: socket.socket, **options: Any) -> None:  # noqa: ANN401
        adjustments = Adjustments(
            connection_limit=MOST_CONNECTIONS + 100,  # never reached: room is made before
            channel_timeout=_IDLE_S,
            cleanup_interval=_LOOK_S,
            max_request_header_size=_MOST_HEADER,
            asyncore_use_poll=True,  # select() knows the first 1,024 files of a process only
            log_socket_errors=False,  # clients that went are no news
            **options,
        )
        adjustments.socket_options = _OPTIONS
        self._lock = threading.Lock()
        self._running: Counter[str] = Counter()
        self._waiting: dict[str, deque[_Connection]] = defaultdict(deque)
        # A proxy speaks for everybody, and sees to it that nobody takes all.
        self._proxy = _household(options.get("trusted_proxy", ""))
        self._share = max(1, adjustments.threads - 1)
        place = (door.family, door.type, door.proto, door.getsockname())
        super().__init__(app, _sock=door, adj=adjustments, sockinfo=place, bind_socket=False)

    def make_room_for(self, newest: _Connection) -> None:
        """Cut the connection that has been idle longest where there are too many."""
        others = [one for one in self.active_channels.values() if one is not newest]
        own = [one for one in others if one.household == newest.household]
        if newest.household != self._proxy and len(own) >= MOST_OF_ADDRESS:
            crowd = own
        elif len(others) >= MOST_CONNECTIONS:
            crowd = others
        else:
            return
        idle = [one for one in crowd if not one.requests and not one.will_close]
        order = lambda one: (one.total_outbufs_len > 0, one.last_activity)  # noqa: E731
        min(idle, key=order, default=newest).cut()

    def maintenance(self, now: float) -> None:
        """Cut what is idle, and what is too slow."""
        super().maintenance(now)
        for connection in list(self.active_channels.values()):
            if connection.is_too_slow(now):
                connection.cut()

    def add_task(self, connection: _Connection) -> None:
        """Have a request answered; where its address has all threads but one, after those."""
        household = connection.household
        with self._lock:
            if household != self._proxy and self._running[household] >= self._share:
                self._waiting[household].append(connection)
                return
            self._running[household] += 1
        super().add_task(connection)

    def served(self, connection: _Connection) -> None:
        """Note that a request was answered, and begin the next of its address."""
        household = connection.household
        with self._lock:
            waiting = self._waiting.get(household)
            if waiting:
                following = waiting.popleft()
            else:
                self._waiting.pop(household, None)
                self._running[household] -= 1
                if not self._running[household]:
                    del self._running[household]
                return
        super().add_task(following)


@lru_cache(maxsize=10_000)
def _household(address: str) -> str:
    """Address as bounds count it: of IPv6 the first 64 bits, which one customer has whole."""
    try:
        full = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(full, ipaddress.IPv6Address):
        return str(full.ipv4_mapped or ipaddress.ip_network((full, 64), strict=False))
    return address
