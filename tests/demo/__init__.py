"""The demo: invented, the same on every run, and through the usual ways in."""
