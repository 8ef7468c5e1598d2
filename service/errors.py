"""What can go wrong on the way of a record, named by outcome.

ServiceError (Exception)
├── FieldFileError   a field file holds values that cannot be understood; nothing stored
├── StoreError       the store cannot be opened, is of another kind, or is out of space
│   ├── StoreBusyError   another process holds the write lock too long
│   └── StoreOutdatedError   an older schema, opened only for reading
├── NotFoundError    no such record; also the answer for one the viewer may not see
├── ConflictError    the record was changed by somebody else, or exists with other content
├── TooMuchWorkError  as much long work goes on or waits as may
├── AccessError      the viewer's role does not allow this
│   └── LoginError       the viewer is unknown: wrong name, password or token
└── RequestError     a parameter is unknown or its value cannot be used
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "AccessError",
    "ConflictError",
    "Fault",
    "FieldFileError",
    "LoginError",
    "NotFoundError",
    "RequestError",
    "ServiceError",
    "StoreBusyError",
    "StoreError",
    "StoreOutdatedError",
    "TooMuchWorkError",
]


@dataclass(frozen=True)
class Fault:
    """One finding in a field file: where it is, what stands there, what would be right."""

    file: str
    row: int  # as a spreadsheet counts, header = 1; 0 = the file as a whole
    column: str
    value: str
    remedy: str
    sheet: str = ""
    code: str = ""  # stays the same however the remedy is worded

    def __str__(self) -> str:
        place = f"{self.file}, row {self.row}" if self.row else self.file
        column = f", column {self.column}" if self.column else ""
        value = f", value {self.value!r}" if self.value else ""
        return f"{place}{column}{value}: {self.remedy}"


class ServiceError(Exception):
    """Something on the way of a record cannot be done; the message is for the user."""


class FieldFileError(ServiceError):
    """A field file holds values that cannot be understood; nothing was stored."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__(f"Values refused: {len(faults)}. Nothing was stored.")
        self.faults = tuple(faults)


class StoreError(ServiceError):
    """The store cannot be opened or written."""


class StoreBusyError(StoreError):
    """Another process holds the write lock for too long; try again."""


class StoreOutdatedError(StoreError):
    """The store has an older schema and was opened only for reading."""


class NotFoundError(ServiceError):
    """No such record, or none that this viewer may see: the two look the same."""


class ConflictError(ServiceError):
    """The record was changed meanwhile, or exists with different content."""


class TooMuchWorkError(ServiceError):
    """As much long work goes on or waits as may: of all, or of one account."""


class AccessError(ServiceError):
    """The viewer's role does not allow this."""


class LoginError(AccessError):
    """The viewer is unknown; `retry_after_s` says when another try is taken."""

    def __init__(self, message: str, *, retry_after_s: int | None = None) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s


class RequestError(ServiceError):
    """A parameter is unknown, or its value cannot be used.

    Parameters
    ----------
    message
        For whoever reads it, on a page or a terminal.
    option
        Of the command that mends it; the command line adds it.
    """

    def __init__(self, message: str, *, option: str = "") -> None:
        super().__init__(message)
        self.option = option
