"""Speed and memory, as ratios to a floor measured in the same run: ``python -m tests.bench``.

Nothing here is a test: seconds differ from machine to machine, ratios much less. A floor is the
least that any program would have to do: the same rows read and written by the plainest code.
"""
