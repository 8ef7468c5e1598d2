"""The server under clients that wait, drip and do not fetch: others are answered meanwhile."""

import http.client
import socket
import threading
import time
from contextlib import ExitStack, closing, contextmanager

import pytest
from flask import Flask, Response

from service.web import connections
from service.web.connections import MOST_OF_ADDRESS
from service.web.serving import make_server

SOON_S = 10.0
HALF = b"GET / HTTP/1.1\r\nHost: localhost\r\n"


def application():
    app = Flask(__name__)
    app.add_url_rule("/", "hello", lambda: "hello")
    app.add_url_rule("/long", "long", lambda: Response(b"x" * 65_536 for _ in range(400)))
    return app


@contextmanager
def running(**options):
    """A server with two threads on 127.0.0.1 and its port."""
    door = socket.create_server(("127.0.0.1", 0))
    server = make_server(application(), door, threads=2, **options)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield server, int(server.effective_port)
    finally:
        server.asyncore.close_all(server._map)  # ends the loop, which has nothing left
        server.task_dispatcher.shutdown(timeout=1)
        thread.join(timeout=SOON_S)


def opened(port, said=b"", source="127.0.0.1"):
    """A connection that says something and no more; any 127.x.y.z is an address of this machine."""
    one = socket.create_connection(("127.0.0.1", port), timeout=SOON_S, source_address=(source, 0))
    one.sendall(said)
    return one


def answer(port, source="127.0.0.1"):
    client = http.client.HTTPConnection(
        "127.0.0.1", port, timeout=SOON_S, source_address=(source, 0)
    )
    with closing(client):
        client.request("GET", "/")
        return client.getresponse().read()


def is_closed(one):
    one.settimeout(SOON_S)
    try:
        while one.recv(1 << 16):
            pass
    except ConnectionError:
        pass
    except TimeoutError:
        return False
    return True


@pytest.mark.parametrize("said", [b"", HALF, b"POST / HTTP/1.1\r\nContent-Length: 9\r\n\r\n"])
@pytest.mark.parametrize("source", ["127.0.0.1", "127.0.0.2"])
def test_many_idle_connections_shut_nobody_out(said, source):
    """Two hundred and fifty half-open ones: their own address is answered, and so are others."""
    with running() as (server, port), ExitStack() as stack:
        idle = [stack.enter_context(opened(port, said)) for _ in range(250)]
        assert answer(port, source) == b"hello"
        # The oldest went, the latest stay.
        assert is_closed(idle[0])
        assert len(server.active_channels) <= MOST_OF_ADDRESS + 2


def test_many_addresses_fill_no_more_than_there_is(monkeypatch):
    """In all there is a bound too; the connection idle longest goes, whosever it is."""
    monkeypatch.setattr(connections, "MOST_CONNECTIONS", 30)
    with running() as (server, port), ExitStack() as stack:
        for host in range(60):
            stack.enter_context(opened(port, source=f"127.0.0.{host + 2}"))
        assert answer(port) == b"hello"
        assert len(server.active_channels) <= 32


def test_a_proxy_speaks_for_everybody():
    """Its connections are not counted as those of one visitor."""
    proxy = {"trusted_proxy": "127.0.0.9", "trusted_proxy_headers": {"x-forwarded-for"}}
    with running(**proxy) as (server, port), ExitStack() as stack:
        for _ in range(2 * MOST_OF_ADDRESS):
            stack.enter_context(opened(port, source="127.0.0.9"))
        assert answer(port, "127.0.0.9") == b"hello"
        assert len(server.active_channels) >= 2 * MOST_OF_ADDRESS


def test_who_does_not_get_on_is_cut_off(monkeypatch):
    """A request that drips in, and an answer that nobody fetches, end; an ordinary one does not."""
    monkeypatch.setattr(connections, "_SLOW_S", 1.0)
    monkeypatch.setattr(connections, "_LOOK_S", 0)
    with running() as (_, port), ExitStack() as stack:
        dripping = stack.enter_context(opened(port, HALF))
        stuck = stack.enter_context(opened(port, b"GET /long HTTP/1.1\r\nHost: a\r\n\r\n"))
        began = time.monotonic()
        while dripping.fileno() > 0 and time.monotonic() - began < SOON_S:
            try:
                dripping.sendall(b"X: y\r\n")
            except ConnectionError:
                break
            time.sleep(0.1)
        assert 1.0 < time.monotonic() - began < SOON_S
        assert is_closed(stuck)
        assert answer(port) == b"hello"
        long = stack.enter_context(opened(port, b"GET /long HTTP/1.0\r\n\r\n"))
        received = 0
        while piece := long.recv(1 << 18):  # slow, but on the way: three seconds
            received += len(piece)
            time.sleep(0.03)
        assert received > 400 * 65_536


def test_nobody_gets_every_thread():
    """Answers that nobody fetches hold all threads but one; another address is answered."""
    with running() as (_, port), ExitStack() as stack:
        for _ in range(6):
            stack.enter_context(opened(port, b"GET /long HTTP/1.1\r\nHost: a\r\n\r\n"))
        time.sleep(0.5)
        assert answer(port, "127.0.0.2") == b"hello"


def test_requests_that_waited_are_answered():
    """Thirty at once of one address, and several on one connection: each gets its answer."""
    with running() as (server, port), ExitStack() as stack:
        request = b"GET / HTTP/1.1\r\nHost: a\r\n\r\n"
        for one in [stack.enter_context(opened(port, request * 3)) for _ in range(30)]:
            received = b""
            while received.count(b"hello") < 3:
                received += one.recv(4_096)
        began = time.monotonic()
        while server._running and time.monotonic() - began < SOON_S:
            time.sleep(0.01)
        assert not server._running
        assert not server._waiting


def test_headers_that_go_on_are_refused():
    """RFC 6585, section 5."""
    with running() as (_, port), opened(port, HALF + b"X: " + b"y" * 80_000) as one:
        assert b" 431 " in one.recv(4_096)


def test_what_counts_as_one_address():
    """Of IPv6 the network of 64 bits that one customer has (RFC 6177), of IPv4 the address."""
    same = {connections._household(f"2001:db8:1:2::{n}") for n in range(3)}
    assert len(same | {connections._household("2001:db8:1:3::1")}) == 2
    assert connections._household("192.0.2.1") != connections._household("192.0.2.2")
    assert connections._household("::ffff:192.0.2.1") == "192.0.2.1"
