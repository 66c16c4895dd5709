"""Commands, settings, processes."""
