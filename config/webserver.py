"""Settings of gunicorn; its own environment variables and options override them."""

from typing import Any

from config import lifeline

wsgi_app = "config.wsgi:application"
worker_class = "gthread"
threads = 8
graceful_timeout = 5
timeout = 120
control_socket_disable = True


def on_starting(_: Any) -> None:
    lifeline.hold()
