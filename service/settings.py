"""Settings of the program: a TOML file and RIFFLEBOOK_* of the environment."""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Settings", "read_settings"]

PREFIX = "RIFFLEBOOK_"


@dataclass(frozen=True)
class Settings:
    """How the service runs; the environment comes before the file."""

    host: str = "127.0.0.1"
    port: int = 8765
    threads: int = 4  # requests served at once
    busy_seconds: float = 30.0  # how long a writer waits for another process
    max_upload_mb: int = 64
    trusted_proxy: str = ""  # address of the proxy in front that speaks HTTPS, if there is one
    feed_crs: str = ""  # further CRS that the feed offers, with commas: "EPSG:27700,EPSG:3035"
    # Background tiles stay off until both are given; `{z}`, `{x}`, `{y}` stand in the address.
    tile_url: str = ""
    tile_attribution: str = ""
    cache_dir: str = ""  # where pictures of records are kept between starts; else the user's own
    user: str = ""  # name for the history of what commands change; else the login name

    @property
    def shows_tiles(self) -> bool:
        """Whether maps may ask the network for background tiles."""
        return bool(self.tile_url and self.tile_attribution)


def read_settings(
    file: Path | None = None, environment: Mapping[str, str] | None = None
) -> Settings:
    """Read the settings.

    Parameters
    ----------
    file
        TOML with the names of :class:`Settings`; by default the one that RIFFLEBOOK_SETTINGS
        names, or none.
    environment
        By default the process's own; `RIFFLEBOOK_PORT=8080` sets `port`.

    Raises
    ------
    RequestError
        The file cannot be read, or a name or value is none that the program knows.
    """
    outside = os.environ if environment is None else environment
    if file is None and outside.get(f"{PREFIX}SETTINGS"):
        file = Path(outside[f"{PREFIX}SETTINGS"])
    known = {field.name: field for field in fields(Settings)}
    given: dict[str, Any] = {}
    if file is not None:
        for name, value in _from_file(file).items():
            if name not in known:
                raise RequestError(
                    f"{file}: there is no setting {name!r}; there are {', '.join(known)}."
                )
            given[name] = _value(name, value, f"{file}, {name}")
    for name in known:
        variable = f"{PREFIX}{name.upper()}"
        if variable in outside:
            given[name] = _value(name, outside[variable], variable)
    return Settings(**given)


def _from_file(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as problem:
        raise RequestError(f"{file} cannot be read: {problem.strerror}.") from problem
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise RequestError(f"{file} is not TOML: {problem}.") from problem


def _value(name: str, value: object, where: str) -> object:
    kind = type(getattr(Settings, name))
    try:
        read = kind(value)
    except (TypeError, ValueError):
        wanted = {int: "a whole number", float: "a number"}.get(kind, "text")
        raise RequestError(f"{where}: {value!r} is not {wanted}.") from None
    if kind is not str and read <= 0:
        raise RequestError(f"{where}: {value!r} is not above 0.")
    if name == "port" and read > 65_535:
        raise RequestError(f"{where}: {value!r} is no port; give one from 1 to 65535.")
    return read
