"""Write the small store file of the newest schema, if there is none yet."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from service.store.migrations import MIGRATIONS
from tests.store_records import add, field_records, small_store


def main() -> None:
    path = Path(__file__).with_name(f"v{MIGRATIONS[-1].number}.gpkg")
    if path.exists():
        print(f"{path.name} is there already; a file of an old schema is never written anew.")
        return
    store = small_store(path)
    add(store, field_records(store, 6))
    store.close()
    connection = sqlite3.connect(path)  # small pages: most tables hold next to nothing
    connection.executescript("PRAGMA journal_mode = DELETE; PRAGMA page_size = 512; VACUUM")
    connection.close()
    print(f"Wrote {path.name}, {path.stat().st_size} bytes.")


if __name__ == "__main__":
    main()
