"""Settings of gunicorn; its own environment variables and options override them."""

import os
import sys
from typing import Any

from gunicorn import glogging

from config import garbage, lifeline, logs
from config.environment import Environment

garbage.look_less_often()  # first: to look through all that is imported from here on takes long

# gunicorn's own default is every address of the machine as soon as there is a PORT
bind = Environment().text("SUMPWISE_LISTEN", "127.0.0.1:8000")
wsgi_app = "config.wsgi:application"
worker_class = "config.patience.Worker"
threads = 8
graceful_timeout = 5
timeout = 120
control_socket_disable = True

# a request gives way at each statement to the database; while another one computes, e.g. tries out
# a large sheet, it must not wait for Python's usual 5 ms each time. Measured: tests.bench waits
SWITCH_S = 0.0005
NO_SOCKET = "Can't connect to %s"  # gunicorn's last word where an address is not to be had
REMEDY = "set SUMPWISE_LISTEN to an address of this machine and a port that is free"


class Log(glogging.Logger):  # type: ignore[misc]  # gunicorn comes without types
    """What gunicorn itself has to say, in lines like those of the program."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for handler in self.error_log.handlers:
            handler.setFormatter(logs.Lines())

    def error(self, msg: str, *args: Any, **kwargs: Any) -> None:
        if msg == NO_SOCKET:
            msg = f"{msg}: {REMEDY}"
        super().error(msg, *args, **kwargs)


logger_class = Log


def on_starting(_: Any) -> None:
    if lifeline.hold():
        return  # serve has looked
    from config.cli import set_up_django
    from config.readiness import or_end, start_or_end

    with or_end():
        set_up_django()
    start_or_end()


def post_fork(_: Any, __: Any) -> None:
    lifeline.hold(os.getppid())
    sys.setswitchinterval(SWITCH_S)


def post_worker_init(_: Any) -> None:
    garbage.leave_out_what_stays()
