"""Run the measurements: ``python -m tests.bench [NAME …] [--vehicles N]``."""

import argparse
import os
import sys
import tempfile

ALL = (
    *("replay", "verdicts", "night", "upload", "orders", "demand", "trials", "check"),
    *("history", "waits", "plan", "overview"),
)
LONG = ("year", "lists", "million", "readers")  # only when named


def main() -> int:
    """Set Django up on a database of its own and measure what was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("what", nargs="*", choices=[*ALL, *LONG, []], default=[])
    parser.add_argument("--vehicles", type=int, default=100_000)
    parser.add_argument("--postgres", metavar="URL", help="an empty database; it is overwritten")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="sumpwise-bench-") as folder:
        os.environ["SUMPWISE_DATA"] = folder
        os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings"
        if asked.postgres:
            os.environ["SUMPWISE_DATABASE_URL"] = asked.postgres
        _measure(asked.what or ALL, asked.vehicles)
    return 0


def _measure(what: list[str] | tuple[str, ...], vehicles: int) -> None:
    import django

    from config import garbage

    garbage.look_less_often()  # as every part of the program
    django.setup()
    from config.database import migrate

    migrate()
    from tests.bench import (
        check,
        demand,
        history,
        lists,
        million,
        night,
        orders,
        overview,
        plan,
        readers,
        replay,
        trials,
        upload,
        verdicts,
        waits,
        year,
    )
    from tests.bench.measure import machine

    module = {"night": night, "orders": orders, "replay": replay, "upload": upload}
    module |= {
        "demand": demand,
        "trials": trials,
        "verdicts": verdicts,
        "check": check,
        "history": history,
        "plan": plan,
        "overview": overview,
        "waits": waits,
        "lists": lists,
        "million": million,
        "readers": readers,
        "year": year,
    }
    print(f"{machine()}; {vehicles:,} vehicles")
    for name in what:
        print(name)
        night.empty()  # what the one before left is of another size
        module[name].run(vehicles)


if __name__ == "__main__":
    sys.exit(main())
