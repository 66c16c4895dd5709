"""One line of JSON on standard error for each thing that went wrong.

A line says where and what, by ids. It never holds a body, a header or a query; what looks like a
secret is cut out of texts, and so are the values that a database tells of a refused row.
"""

import json
import logging
import re
import traceback
from datetime import UTC, datetime
from typing import Any

from fleet import trace

LONGEST = 500  # signs of a text; our choice
FRAMES = 20  # the innermost of an error; our choice
OF_HOSTS = ("ALLOWED_HOSTS", "SUMPWISE_HOSTS")  # Django tells its own setting, we read another
SECRETS = re.compile(
    r"sumpwise_[\w-]+|(?<=/sign-in/link/)[^\s/]+|\b[Bb]earer\s+\S+|(?<=://)[^\s/@]+(?=@)"
    r"|(?<=[?&])\S+|\b[\w-]{32,}\b|DETAIL:.*",
    re.DOTALL,
)


class Lines(logging.Formatter):
    """A record as one line."""

    def format(self, record: logging.LogRecord) -> str:
        told = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "from": record.name,
            "text": without_secrets(record.getMessage().replace(*OF_HOSTS)),
            "request": trace.REQUEST.get(),
            "run": trace.RUN.get(),
            "person": trace.PERSON.get(),
            **_error(record),
        }
        return json.dumps({name: value for name, value in told.items() if value not in ("", None)})


def without_secrets(text: str) -> str:
    return SECRETS.sub("…", text)[:LONGEST]


def _error(record: logging.LogRecord) -> dict[str, Any]:
    error = record.exc_info[1] if record.exc_info else None
    if error is None:
        return {}
    frames = traceback.extract_tb(error.__traceback__)[-FRAMES:]
    return {
        "error": type(error).__name__,
        "because": without_secrets(str(error)),
        "trace": [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames],
    }
