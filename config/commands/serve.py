"""``sumpwise serve``."""

import argparse
from typing import Any


def register(commands: Any) -> None:
    parser = commands.add_parser(
        "serve",
        help="serve pages, API and nightly work",
        description="Serves pages and API on this machine and does the nightly work; Ctrl-C stops "
        "all of it. One serve per data folder; other commands work beside it.",
    )
    add_address(parser)
    parser.set_defaults(run=run, new=True)


def add_address(parser: argparse.ArgumentParser) -> None:
    """The options of every command that ends up serving."""
    parser.add_argument(
        "--port", type=port_number, default=8000, help="default 8000; if taken, the next free one"
    )
    parser.add_argument("--host", default="127.0.0.1", help="default 127.0.0.1: this machine only")


def port_number(text: str) -> int:
    if text.isdecimal() and 1 <= int(text) <= 65535:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is not a port: give a number from 1 to 65535")


def run(arguments: argparse.Namespace) -> int:
    from config.serving import serve

    return serve(arguments.port, arguments.host)
