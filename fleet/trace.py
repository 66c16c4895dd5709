"""What a line of the log is about: which request, which piece of work, which person."""

from contextvars import ContextVar

REQUEST: ContextVar[str] = ContextVar("request", default="")  # the number that a person quotes
RUN: ContextVar[int | None] = ContextVar("run", default=None)
PERSON: ContextVar[int | None] = ContextVar("person", default=None)
