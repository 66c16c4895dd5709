"""The ledger of jobs, and the keys that make a repeated request harmless."""
