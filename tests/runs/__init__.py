"""The ledger of jobs."""
