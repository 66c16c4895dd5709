"""The commands, one file per subject.

Each file has ``register(commands)``: it adds its parsers and names the function that runs,
``set_defaults(run=function)``. A file imports Django and ``fleet`` inside its functions only, so
that help appears at once. Defaults understood by the command line beside ``run``:
``database=False`` for a command that works without one.
"""
