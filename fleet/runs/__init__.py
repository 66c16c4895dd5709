"""The ledger of jobs, and the keys that make a repeated request harmless.

ledger.py   jobs claimed, owed, tried again; the hour of the night; how long a lease lasts
models.py   Run, RepeatKey
night.py    what is told when the due dates of a night have followed
owner.py    which process does a piece of work, and whether it lives
repeats.py  claims on the key of a repeated request; how long kept
"""
