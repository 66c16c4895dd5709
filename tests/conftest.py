import ipaddress
import os
import socket
from typing import Any

import pytest

MOST_PROCESSES = 4  # our choice: each has a database and starts programs of its own


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Share a whole run between processors; what is named on the command line runs here."""
    whole = config.args_source is pytest.Config.ArgsSource.TESTPATHS
    return min(os.cpu_count() or 1, MOST_PROCESSES) if whole else 0


@pytest.fixture(scope="session", autouse=True)
def no_network() -> Any:
    """Connections leave this machine from no test."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        if self.family != socket.AF_UNIX and not _is_here(str(address[0])):
            raise OSError(f"A test tried to reach {address[0]}.")
        connect(self, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", guarded)
        yield


def _is_here(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


@pytest.fixture(scope="session")
def django_db_modify_db_settings(request: pytest.FixtureRequest) -> None:
    """Parallel tests share a PostgreSQL server, but each has a data folder of its own."""
    from django.conf import settings

    if settings.SERVED:
        request.getfixturevalue("django_db_modify_db_settings_parallel_suffix")


def require_service(found: bool, what: str) -> None:
    """Skip, saying so, where a service is missing; in CI that is a failure."""
    if found:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"{what} is missing, and CI must have it.")
    pytest.skip(f"{what} is missing: not tested here.")
