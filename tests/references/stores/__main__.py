"""Write the small store file of the newest schema, if there is none yet."""

from __future__ import annotations

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
    print(f"Wrote {path.name}, {path.stat().st_size} bytes.")


if __name__ == "__main__":
    main()
