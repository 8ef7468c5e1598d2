"""Small store files of every schema version; each must still open.

`python -m tests.references.stores` writes the one of the newest schema, once, when it is new.
The content is the invented fork of `tests/store_records.py`: three reaches, six placements.
"""
