"""Serving the application with waitress."""

from __future__ import annotations

import ctypes
import errno
import gc
import logging
import signal
import socket
import sys
import threading
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

from service.access.accounts import is_loopback, require_keeper_for
from service.errors import RequestError
from service.web.waiting import close_jobs

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask

    from service.settings import Settings
    from service.store import Store
    from service.web.connections import ConnectionServer

__all__ = ["give_back_freed_memory", "make_server", "serve_store"]

# An answer longer than this waits for its client before more of it is made; waitress would hold
# 16 MB of each, in buffers that double.
_WAITING_BYTES: Final = 1 << 20
# Parameters of mallopt (malloc.h of the GNU C library) and their values here: one heap for all
# threads, which reuses blocks of up to 8 MB; larger ones the system gives and takes back. With a
# heap for each thread, five pages of figures of a million placements left 1.7 GB, not 1.0. With
# blocks from 1 MB on given back at once, half of the time of a page went into getting them anew.
_ARENA_MAX: Final = (-8, 1)
_MMAP_THRESHOLD: Final = (-3, 8 << 20)
_TRIM_THRESHOLD: Final = (-1, 32 << 20)
# A million placements: 0.45 GB after each page of a stream of 140,000 reaches; 2 to 16 ms.
_PAUSE_S, _WORK_S = 1.0, 0.2
_OWN_NAMES: Final = ["127.0.0.1", "localhost", "[::1]"]


def serve_store(
    store: Store,
    settings: Settings,
    make_app: Callable[[], Flask],
    *,
    host: str,
    port: int,
    report: Callable[[str], None],
) -> None:
    """Serve a store until the process is stopped.

    The application is made once the address is ours, and `report` called with that once the
    service answers. Without accounts everybody who reaches the service is its keeper, so that
    only addresses of this machine are taken: AccessError for others. RequestError where the port
    is taken, or the address is none of this machine.
    """
    require_keeper_for(host, store)
    give_back_freed_memory()
    door = _open_door(host.strip("[]"), port)
    app = make_app()
    gc.freeze()  # a search for garbage in what stays takes 0.1 s, in the middle of some request
    if is_loopback(host) and not settings.trusted_proxy:
        # A page elsewhere may point a name of its own at this machine; we answer to ours only.
        app.config["TRUSTED_HOSTS"] = _OWN_NAMES
    server = make_server(
        app,
        door,
        threads=settings.threads,
        max_request_body_size=settings.max_upload_mb * 1_000_000,
        **_proxy_options(settings),
    )
    # A few requests that wait for a free thread are no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    signal.signal(signal.SIGTERM, _stop)
    named = f"[{host.strip('[]')}]" if ":" in host else host
    report(f"http://{named}:{port}/")
    try:
        server.run()
    except (KeyboardInterrupt, SystemExit):
        pass
    finally:
        server.close()
        close_jobs(app)


def give_back_freed_memory() -> None:
    """Have memory returned to the system where it is freed, with the GNU C library.

    Else each thread keeps a heap of its own, with holes as large as the arrays that were there.
    What lay in many small pieces, as shapes do, is returned every second while there is work.
    """
    if sys.platform == "linux":
        with suppress(AttributeError):  # another C library
            library = ctypes.CDLL(None)
            for parameter in (_ARENA_MAX, _MMAP_THRESHOLD, _TRIM_THRESHOLD):
                library.mallopt(*parameter)
            threading.Thread(
                target=_return_pieces, args=(library.malloc_trim,), daemon=True
            ).start()


def _return_pieces(trim: Callable[[int], int]) -> None:
    told = 0.0
    while True:
        time.sleep(_PAUSE_S)
        if time.process_time() - told > _WORK_S:
            trim(0)
            told = time.process_time()


def make_server(
    app: Flask,
    door: socket.socket,
    **options: Any,  # noqa: ANN401
) -> ConnectionServer:
    """Make the server of an application behind a bound socket.

    `options` are those of `waitress.create_server`.
    """
    from service.web.connections import ConnectionServer

    return ConnectionServer(app, door, ident=None, outbuf_high_watermark=_WAITING_BYTES, **options)


def _proxy_options(settings: Settings) -> dict[str, Any]:
    """Take from a proxy that is trusted who the client is and whether HTTPS is used."""
    if not settings.trusted_proxy:
        return {}
    return {
        "trusted_proxy": settings.trusted_proxy,
        "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"},
        "clear_untrusted_proxy_headers": True,
    }


def _open_door(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family)
    except OSError as problem:
        if problem.errno == errno.EADDRINUSE:
            raise RequestError(
                f"Port {port} is in use; stop what uses it, or choose another with --port."
            ) from problem
        raise RequestError(f"Cannot serve on {host}, port {port}: {problem.strerror}.") from problem


def _stop(*_: Any) -> None:  # noqa: ANN401
    raise SystemExit(0)
