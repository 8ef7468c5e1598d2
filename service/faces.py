"""What one face needs of another: joined in `service.program`, so that none imports the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from service.answers.hand_over import HandOver
    from service.records import Viewer
    from service.store import Store

__all__ = ["Faces", "HandOverWriter"]


class HandOverWriter(Protocol):
    """Writes a hand-over to a file, whole or not at all: `service.export.write_hand_over`."""

    def __call__(
        self,
        store: Store,
        destination: Path,
        request: HandOver,
        *,
        viewer: Viewer | None = None,
        progress: Callable[[str, int, int, str], None] | None = None,
    ) -> None:
        """Write it; `progress` is called as `service.progress.report` is."""


class Server(Protocol):
    """Serves the pages and the feed of a store until it is stopped."""

    def __call__(
        self, store: Store, *, host: str | None, port: int | None, report: Callable[[str], None]
    ) -> None:
        """Serve it; `report` is called with the address once it answers."""


@dataclass(frozen=True)
class Faces:
    """What commands may call of the export and of the web."""

    hand_over_writer: Callable[[], HandOverWriter]
    serve: Server
