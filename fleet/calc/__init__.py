"""Arithmetic of the program: NumPy, SciPy and the standard library; no framework, no clock."""
