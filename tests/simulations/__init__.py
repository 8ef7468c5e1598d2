"""Whether intervals called 95 % contain the truth in 95 % of simulated surveys.

`python -m tests.simulations` prints the whole table: occupancy takes an hour (`--runs 60` ten
minutes), the rest two minutes; pytest runs a small part. Each module makes the rows of one summary.
"""
