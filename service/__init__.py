"""Rifflebook's service: storage, intake, accounts, pages, feed, export, command line."""
