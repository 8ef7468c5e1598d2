"""Whether intervals called 95 % contain the truth in 95 % of simulated surveys.

`python -m tests.simulations` prints the whole table: occupancy takes a quarter of an hour of
processor time (`--runs 60` three minutes), change five minutes, the rest two; pytest runs a small
part. Each module makes the rows of one summary.
"""
