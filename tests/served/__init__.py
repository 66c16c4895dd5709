"""The served way to run: PostgreSQL, Redis and a process for each part."""
