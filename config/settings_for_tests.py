"""The program's settings on a data folder of their own, whatever the caller's environment says.

SQLite and the file-system broker by default; with SUMPWISE_TEST_DATABASE_URL and
SUMPWISE_TEST_REDIS_URL (redis://host:port/number; that database and the next few are emptied)
the same tests run on PostgreSQL and Redis.
"""

import atexit
import os
import shutil
import tempfile
from pathlib import Path

from config.cli import multiply_on_one_core

DATA_DIR = Path(tempfile.mkdtemp(prefix="sumpwise-tests-"))
atexit.register(shutil.rmtree, DATA_DIR, ignore_errors=True)


def isolate() -> None:
    given = {name: os.environ.get(f"SUMPWISE_TEST_{name}", "") for name in ADDRESSES}
    for name in [name for name in os.environ if name.startswith("SUMPWISE_")]:
        if not name.startswith("SUMPWISE_TEST_"):
            del os.environ[name]
    os.environ["SUMPWISE_DATA"] = str(DATA_DIR)
    os.umask(0o077)  # the tests' database is made anew after the settings have made it private
    for name, address in given.items():
        if address:
            os.environ[f"SUMPWISE_{name}"] = address
    if given["REDIS_URL"]:
        os.environ["SUMPWISE_REDIS_URL"] = own_redis(given["REDIS_URL"])


def own_redis(address: str) -> str:
    """The numbered database of this one of several parallel processes.

    Clearing the cache empties a whole Redis database, so no two may share one.
    """
    server, _, first = address.rpartition("/")
    worker = os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")
    return f"{server}/{int(first) + int(worker)}"


ADDRESSES = ("DATABASE_URL", "REDIS_URL")
isolate()
multiply_on_one_core()  # as every command, and tests run side by side

from config.settings import *  # noqa: E402, F403
from config.settings import DATABASES, SERVED  # noqa: E402

DATABASES["default"]["TEST"] = {"MIGRATE": False}  # see django_db_setup in conftest.py
if not SERVED:
    # a file, and the one that a process started by a test finds in the same data folder
    DATABASES["default"]["TEST"]["NAME"] = DATA_DIR / "sumpwise.sqlite3"
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # quick; guards nothing
CELERY_TASK_ALWAYS_EAGER = True  # a real worker is tested in tests/jobs, as a process
CELERY_TASK_EAGER_PROPAGATES = True
