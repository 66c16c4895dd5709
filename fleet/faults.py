"""What a person can put right."""


class Fault(Exception):
    """Cannot go on as asked; the text is one sentence: what is wrong, where, what to do."""

    exit_code = 1
