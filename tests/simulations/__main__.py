"""Print the table of coverage: `python -m tests.simulations [--runs N] [--seed N]`."""

import argparse

from tests.simulations import catch_rates, change, detection, removal, richness

if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m tests.simulations", description=__doc__)
    parser.add_argument("--runs", type=int, default=400, help="surveys for each row; 400")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for simulated in (removal, catch_rates, richness, detection, change):
        print(f"# {simulated.__doc__.splitlines()[0]}")
        print(simulated.table(given.runs, given.seed).to_csv(index=False, float_format="%.3f"))
