"""How often Python looks for garbage: for circles of objects that nobody refers to any more.

Rows and answers come and go by the thousand without a circle among them. A look every few hundred
objects, as Python has it, costs a twentieth of the time of a long command or a long answer; and
every so often one goes through all that was imported, during which nobody is answered.
"""

import gc

FRESH_OBJECTS = 20_000  # between two looks: some MB, and time for them; our choice


def look_less_often() -> None:
    """Let more objects come between two looks; whoever set it higher is left alone."""
    gc.set_threshold(max(FRESH_OBJECTS, gc.get_threshold()[0]), *gc.get_threshold()[1:])


def leave_out_what_stays() -> None:
    """Look never again at what is there now, once a process has imported all that it needs."""
    gc.collect()
    gc.freeze()
