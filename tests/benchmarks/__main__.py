"""Run benchmarks: python -m tests.benchmarks [--small] [name …]."""

from __future__ import annotations

import argparse
import importlib
import sys
import time
from pathlib import Path


def main() -> int:
    """Run the named benchmarks, or all, one after another."""
    found = sorted(p.stem.removeprefix("bench_") for p in Path(__file__).parent.glob("bench_*.py"))
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="name", help=f"any of: {', '.join(found)}")
    parser.add_argument("--small", action="store_true", help="a tenth of the size")
    chosen = parser.parse_args()
    unknown = sorted(set(chosen.names) - set(found))
    if unknown:
        parser.error(f"no benchmark named {', '.join(unknown)}; there are {', '.join(found)}")
    failed = []
    for name in chosen.names or found:
        print(f"== {name}", flush=True)
        began = time.perf_counter()
        try:
            importlib.import_module(f"tests.benchmarks.bench_{name}").run(
                scale=0.1 if chosen.small else 1.0
            )
        except Exception as problem:  # noqa: BLE001 - one failure must not hide the others
            failed.append(name)
            print(f"   failed: {type(problem).__name__}: {problem}", flush=True)
        print(f"   took {time.perf_counter() - began:.1f} s", flush=True)
    if failed:
        print(f"Failed: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
