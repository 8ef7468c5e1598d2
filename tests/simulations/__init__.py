"""Whether intervals called 95 % contain the truth in 95 % of simulated surveys.

`python -m tests.simulations` prints the whole table, row by row: occupancy takes a quarter of an
hour of processor time (`--runs 60` three minutes), change ten minutes, the rest two; pytest runs a
small part. Each module has the settings of one summary: a function and what it takes after random
numbers.
"""
