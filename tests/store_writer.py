"""Run as a process of its own by the durability tests: writes placements until stopped.

`python -m tests.store_writer STORE FIRST COUNT SIZE` adds COUNT imports of SIZE placements, and
prints a line after each that the store has acknowledged.
"""

from __future__ import annotations

import sys
from pathlib import Path

from service.store import open_store
from tests.store_records import add, field_records


def main() -> None:
    path, first, count, size = Path(sys.argv[1]), *map(int, sys.argv[2:5])
    store = open_store(path)
    prepared = [
        field_records(store, size, start=first + k * size, seed=k) for k in range(min(count, 3))
    ]
    print("ready", flush=True)
    for k in range(count):
        records = (
            prepared[k] if k < 3 else field_records(store, size, start=first + k * size, seed=k)
        )
        add(store, records, digest=f"{first} {k}")
        print(f"stored {first + k * size}", flush=True)


if __name__ == "__main__":
    main()
