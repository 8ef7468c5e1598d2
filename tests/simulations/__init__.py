"""Whether intervals called 95 % contain the truth in 95 % of simulated surveys.

`python -m tests.simulations` prints the whole table in about two minutes; pytest runs a small part
of it. Each module makes the rows of one summary.
"""
