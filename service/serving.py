"""Serving the application with waitress."""

from __future__ import annotations

import errno
import ipaddress
import logging
import signal
from typing import TYPE_CHECKING, Any, Final

from service import create_app
from service.errors import AccessError, RequestError

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.settings import Settings
    from service.store.interface import Store

__all__ = ["is_loopback", "serve_store"]

_OWN_NAMES: Final = ["127.0.0.1", "localhost", "[::1]"]


def is_loopback(host: str) -> bool:
    """Whether an address can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def serve_store(
    store: Store, settings: Settings, *, host: str, port: int, tell: Callable[[str], None]
) -> None:
    """Serve a store until the process is told to stop.

    Parameters
    ----------
    store, settings
        What is served, and how.
    host, port
        Where. Without accounts everybody who reaches the service is its keeper, so that only
        addresses of this machine are taken.
    tell
        Called with the address of the service once it answers.

    Raises
    ------
    AccessError
        The address can be reached from elsewhere.
    RequestError
        The port is taken, or the address is none of this machine.
    """
    if not is_loopback(host):
        raise AccessError(
            f"{host} can be reached from other machines, and there are no accounts yet; "
            "serve on 127.0.0.1."
        )
    import waitress

    app = create_app(store, settings)
    # A page elsewhere may point a name of its own at this machine; we answer to ours only.
    app.config["TRUSTED_HOSTS"] = _OWN_NAMES
    try:
        server = waitress.create_server(
            app,
            host=host.strip("[]"),
            port=port,
            threads=settings.threads,
            ident=None,
            max_request_body_size=settings.max_upload_mb * 1_000_000,
        )
    except OSError as problem:
        if problem.errno == errno.EADDRINUSE:
            raise RequestError(
                f"Port {port} is in use; stop what uses it, or choose another with --port."
            ) from problem
        raise RequestError(f"Cannot serve on {host}, port {port}: {problem.strerror}.") from problem
    # A few requests that wait for a free thread are no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    signal.signal(signal.SIGTERM, _stop)
    named = f"[{host.strip('[]')}]" if ":" in host else host
    tell(f"http://{named}:{server.effective_port if port == 0 else port}/")
    try:
        server.run()
    except (KeyboardInterrupt, SystemExit):
        pass
    finally:
        server.close()


def _stop(*_: Any) -> None:  # noqa: ANN401
    raise SystemExit(0)
