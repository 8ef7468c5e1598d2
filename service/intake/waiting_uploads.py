"""Uploaded field sheets that wait between check and import; for a while, and not too many."""

from __future__ import annotations

import re
import secrets
import shutil
import tempfile
import threading
import time
import weakref
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from service.errors import FieldFileError, NotFoundError, RequestError
from service.intake.columns import SHEETS
from service.intake.file_roles import is_named, roles_of
from service.intake.findings import Findings
from service.intake.importing import CHECK_STEPS, CheckResult, check, missing_species
from service.intake.kept_mappings import kept_mapping
from service.intake.reading import TEXT_FILES, WORKBOOKS
from service.intake.sheets import read_sheets
from service.intake.upload_limits import refusals
from service.progress import report

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from typing import IO

    import pandas as pd

    from service.intake.sheets import Sheets
    from service.store import Store

__all__ = [
    "ROLES",
    "SUGGESTED",
    "WaitingUpload",
    "WaitingUploads",
    "check_upload",
    "follow_kept",
    "plain_name",
    "suggest_upload",
]

BY_COLUMNS: Final = "sheet"  # role of files of which any sheet may be any of ours
ROLES: Final = (*SHEETS, BY_COLUMNS, "mapping", "waypoints")
SUGGESTED: Final = "mapping-suggested.toml"
_ROWS_SHOWN: Final = 5
_OF_UPDATES: Final = ("update", "remove_rows")  # options of the check, not of reading
KEPT_S: Final = 3_600.0
MOST_WAITING: Final = 12
MOST_FILES: Final = 12


@dataclass
class WaitingUpload:
    """Files of one person, and what the check found.

    Attributes
    ----------
    roles
        What each file is read as, by name; a workbook or GeoPackage may be several.
    options
        `date_order`, `survey`, `crs`, as `read_sheets` takes them; `update`, `remove_rows`, as
        `check` does.
    tables, questions
        Sheets for which a mapping was suggested, and what is open in it.
    method
        That of all their placements, '' = not said; None where a column names it.
    known_batch
        Number of the import that took these very files, if one did.
    """

    token: str
    owner: str
    folder: Path
    begun: float
    roles: dict[str, tuple[str, ...]] = field(default_factory=dict)
    options: dict[str, Any] = field(default_factory=dict)
    result: CheckResult | None = None
    version: int = -1
    known_batch: int | None = None
    lacking: pd.DataFrame | None = None
    tables: list[ShownTable] = field(default_factory=list)
    method: str | None = None
    questions: tuple[str, ...] = ()
    chosen: dict[tuple[str, str], str] = field(default_factory=dict)

    @property
    def files(self) -> list[Path]:
        """Files in order of their names."""
        return sorted(path for path in self.folder.iterdir() if path.is_file())


class WaitingUploads:
    """All uploads that wait in one service, in a folder of its own that ends with it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._waiting: dict[str, WaitingUpload] = {}
        self._folder: Path | None = None

    def receive(self, owner: str, files: Iterable[tuple[str, IO[bytes]]]) -> WaitingUpload:
        """Store files until they are imported or dropped.

        Raises FieldFileError where a file is too large or not what its name says, RequestError
        where there is no file, or there are too many; nothing is kept then.
        """
        self._expire()
        with self._lock:
            if self._folder is None:
                self._folder = Path(tempfile.mkdtemp(prefix="rifflebook-waiting-"))
                weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
            token = secrets.token_urlsafe(24)
            folder = self._folder / secrets.token_hex(8)
            folder.mkdir(mode=0o700)
        waiting = WaitingUpload(token, owner, folder, self._clock())
        try:
            self.add(waiting, files)
        except Exception:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        with self._lock:
            while len(self._waiting) >= MOST_WAITING:
                self._forget(min(self._waiting.values(), key=lambda one: one.begun))
            self._waiting[token] = waiting
        return waiting

    def add(self, waiting: WaitingUpload, files: Iterable[tuple[str, IO[bytes]]]) -> None:
        """Add files, or put mended ones in the place of those of the same name.

        Raises as :meth:`receive`; the files that were there stay as they were.
        """
        given = [(plain_name(name), stream) for name, stream in files if name]
        if not given:
            raise RequestError("No file was chosen; choose the sheet of placements at least.")
        names = {path.name for path in waiting.files} | {name for name, _ in given}
        if len(names) > MOST_FILES:
            raise RequestError(f"{len(names)} files were given; {MOST_FILES} are the most at once.")
        with tempfile.TemporaryDirectory(dir=waiting.folder) as place:
            arrived: list[Path] = []
            for name, stream in given:
                path = Path(place) / name
                with path.open("wb") as file:
                    shutil.copyfileobj(stream, file)
                arrived.append(path)
            faults = [fault for path in arrived for fault in refusals(path)]
            if faults:
                raise FieldFileError(faults)
            for path in arrived:
                path.replace(waiting.folder / path.name)
                waiting.roles.pop(path.name, None)
        for path in waiting.files:
            waiting.roles.setdefault(path.name, roles_of(path))
        if any("mapping" in roles for roles in waiting.roles.values()):
            for path in (
                waiting.folder / one.name for one in arrived
            ):  # under their own names and headers: the mapping tells
                if waiting.roles.get(path.name) == ("placements",) and not is_named(path):
                    waiting.roles[path.name] = (BY_COLUMNS,)

    def find(self, token: str, owner: str) -> WaitingUpload:
        """Find what somebody uploaded; NotFoundError where it is gone, or somebody else's."""
        self._expire()
        waiting = self._waiting.get(token)
        if waiting is None or not secrets.compare_digest(waiting.owner.encode(), owner.encode()):
            raise NotFoundError(
                "These files are no longer here: they were stored, dropped, or an hour has "
                "passed. Choose them again."
            )
        return waiting

    def drop(self, waiting: WaitingUpload) -> None:
        """Forget files."""
        with self._lock:
            self._forget(waiting)

    def _forget(self, waiting: WaitingUpload) -> None:
        self._waiting.pop(waiting.token, None)
        shutil.rmtree(waiting.folder, ignore_errors=True)

    def _expire(self) -> None:
        now = self._clock()
        with self._lock:
            for waiting in list(self._waiting.values()):
                if now - waiting.begun > KEPT_S:
                    self._forget(waiting)


def plain_name(name: str) -> str:
    r"""Name of a file without its folders and without what a disk or a page would trip over.

    Examples
    --------
    >>> plain_name("../../etc/catch es.csv"), plain_name("C:\\work\\a.xlsx"), plain_name("..")
    ('catch es.csv', 'a.xlsx', 'file')
    """
    last = re.split(r"[\\/]", name)[-1]
    kept = re.sub(r"[^\w .()+-]", "_", last).strip(" .")
    stem, dot, ending = kept.rpartition(".")
    return f"{stem[:80]}{dot}{ending[:12]}" if dot and stem else kept[:80] or "file"


@dataclass(frozen=True)
class ShownTable:
    """The first rows of a sheet, and what each header is taken for, as `Suggestion.meant`."""

    file: str
    columns: list[tuple[str, str]]
    rows: list[list[str]]


def suggest_upload(
    waiting: WaitingUpload, store: Store, chosen: Mapping[tuple[str, str], str] | None = None
) -> None:
    """Put a suggested mapping beside uploaded sheets, CSV and XLSX, and read them by it.

    `chosen` is what somebody takes columns for, as `suggest` follows it. Raises RequestError where
    no sheet of placements was found.
    """
    # Compares words, which nothing else here does.
    from service.intake.suggesting import METHOD_OF_ALL, suggest_for
    from service.intake.tables import read_tables

    paths = [p for p in waiting.files if p.suffix.lower() in (*TEXT_FILES, *WORKBOOKS)]
    findings = Findings()
    tables = [table for path in paths for table in read_tables(path, findings)]
    suggestion = suggest_for(store, tables, chosen, waiting.options.get("date_order") or None)
    waiting.tables = [
        ShownTable(
            table.file,
            [(str(h), suggestion.meant[table.file, str(h)]) for h in table.frame.columns],
            table.frame.head(_ROWS_SHOWN).to_numpy(object).tolist(),
        )
        for table in tables
    ]
    waiting.questions, waiting.chosen = suggestion.open_questions, dict(chosen or {})
    waiting.method = suggestion.meant.get(METHOD_OF_ALL)
    waiting.result = None
    if not suggestion.text:
        raise RequestError(" ".join(suggestion.open_questions))
    (waiting.folder / SUGGESTED).write_text(suggestion.text, encoding="utf-8")
    _read_by_mapping(waiting)


def follow_kept(waiting: WaitingUpload, store: Store, name: str) -> None:
    """Read uploaded sheets by a mapping that the store keeps; RequestError where there is none."""
    text = kept_mapping(store, name)
    (waiting.folder / SUGGESTED).write_text(text, encoding="utf-8")
    _read_by_mapping(waiting)


def _read_by_mapping(waiting: WaitingUpload) -> None:
    """Read CSV and XLSX by the mapping beside them, and by no other."""
    for path in waiting.files:
        if "mapping" in waiting.roles.get(path.name, ()):
            waiting.roles[path.name] = ()
        elif path.suffix.lower() in (*TEXT_FILES, *WORKBOOKS):
            waiting.roles[path.name] = (BY_COLUMNS,)
    waiting.roles[SUGGESTED] = ("mapping",)
    waiting.result = None


def check_upload(waiting: WaitingUpload, store: Store) -> CheckResult:
    """Check uploaded files against the store as it is now; the result is kept with them.

    Raises RequestError where no file, or more than one, is read as placements, or as another sheet.
    """
    if waiting.result is not None and waiting.version == store.version:
        return waiting.result
    version = store.version
    report("reading the files", 1, CHECK_STEPS, "step")
    sheets = _sheets(waiting, store)
    update, remove_rows = (bool(waiting.options.get(name)) for name in _OF_UPDATES)
    before = None if update else store.find_batch(sheets.digest)
    waiting.known_batch = None if before is None else before.batch_id
    steps = count(2)
    result = check(
        sheets,
        store,
        update=update,
        remove_rows=remove_rows,
        progress=lambda words: report(words, next(steps), CHECK_STEPS, "step"),
    )
    waiting.result, waiting.version = result, version
    lacking = missing_species(sheets, store)
    waiting.lacking = lacking if len(lacking) else None
    return waiting.result


def _sheets(waiting: WaitingUpload, store: Store) -> Sheets:
    by_role: dict[str, Any] = {}
    files: list[Path] = []
    for path in waiting.files:
        for role in waiting.roles.get(path.name, ()):
            if role == BY_COLUMNS:
                files.append(path)
                continue
            if role in by_role:
                raise RequestError(
                    f"{by_role[role].name} and {path.name} are both read as {role}; "
                    "say which of them is what."
                )
            by_role[role] = path
    if "placements" not in by_role and not files:
        raise RequestError("None of the files is read as placements; say which one is.")
    given = waiting.options.items()
    options = {name: value for name, value in given if value and name not in _OF_UPDATES}
    return read_sheets(**by_role, **options, files=files, species=store.species())
