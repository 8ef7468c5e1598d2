"""Print the table of coverage: `python -m tests.simulations [NAME …] [--runs N] [--seed N]`.

Each row is printed when its setting is done, with a header where columns change, and has random
numbers of its own: what an end before the last row leaves is whole.
"""

import argparse
import csv
import sys

import numpy as np

from tests.simulations import catch_rates, change, detection, removal, richness

TABLES = {
    "removal": removal, "catch_rates": catch_rates, "richness": richness, "change": change,
    "detection": detection,
}  # fmt: skip

if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m tests.simulations", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"any of: {', '.join(TABLES)}")
    parser.add_argument("--runs", type=int, default=400, help="surveys for each row; 400")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for name in given.names or TABLES:
        print(f"# {TABLES[name].__doc__.splitlines()[0]}")
        header: list[str] = []
        for number, (function, setting) in enumerate(TABLES[name].settings(given.runs)):
            row = function(np.random.default_rng([given.seed, number]), *setting)
            writer = csv.DictWriter(sys.stdout, [*row], lineterminator="\n")
            if header != [*row]:
                header = [*row]
                writer.writeheader()
            writer.writerow({k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()})
            sys.stdout.flush()
