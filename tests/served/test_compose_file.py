"""What docker-compose.yml says against what the program reads; no container engine is needed.

Names of keys are those of the Compose Specification (from memory).
"""

import os
import re
import subprocess
import sys
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import urlsplit

import pytest
import yaml

from config.environment import Environment
from config.settings import BASE_DIR, ENV
from tests.served.read_only import SITE
from tests.test_environment import example

TEXT = (BASE_DIR / "docker-compose.yml").read_text()
COMPOSE = yaml.safe_load(TEXT)
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
DOCKERFILE = (BASE_DIR / "config/Dockerfile").read_text()
OURS = ["migrate", "web", "worker", "beat"]
LASTING = sorted(set(SERVICES) - {"migrate"})
ASKED_FOR = re.compile(r"\$\{(\w+)")


def environment(name: str) -> dict[str, str]:
    return dict(SERVICES[name]["environment"])


def test_there_are_these_parts_and_no_other() -> None:
    assert set(SERVICES) == {*OURS, "database", "redis"}


def test_the_example_lists_every_variable_that_compose_asks_for_and_no_other() -> None:
    assert {name for name in example() if not name.startswith("SUMPWISE_")} == set(
        ASKED_FOR.findall(TEXT)
    )


@pytest.mark.parametrize("name", OURS)
def test_each_part_is_given_variables_that_the_program_reads(name: str) -> None:
    own = {one for one in environment(name) if one.startswith("SUMPWISE_")}
    assert own == set(environment(name)) <= ENV.known
    assert own - set(environment("worker")) == ({"SUMPWISE_LISTEN"} if name == "web" else set())


@pytest.mark.parametrize("name", [*OURS, "database"])
def test_each_secret_that_a_part_reads_from_a_file_is_laid_there(name: str) -> None:
    files = [value for key, value in environment(name).items() if key.endswith("_FILE")]
    assert files
    assert {f"/run/secrets/{one}" for one in SERVICES[name]["secrets"]} == set(files)
    assert set(SERVICES[name]["secrets"]) <= set(COMPOSE["secrets"])


def test_no_secret_stands_in_the_file_or_in_the_repository() -> None:
    for one in COMPOSE["secrets"].values():
        assert one["file"].startswith("${SECRETS_FOLDER:-.secrets}/")
    for ignoring in (".gitignore", ".dockerignore"):
        assert ".secrets" in (BASE_DIR / ignoring).read_text()


def test_backups_lie_on_this_machine_beside_no_data_and_are_seen_by_nothing_that_lasts() -> None:
    mounted = {name: SERVICES[name]["volumes"][1:] for name in SERVICES}
    assert {name for name, more in mounted.items() if more} == {"migrate"}
    assert mounted["migrate"] == ["${BACKUPS_FOLDER:-./backups}:/backups"]
    for ignoring in (".gitignore", ".dockerignore"):
        assert "backups" in (BASE_DIR / ignoring).read_text()


def test_the_address_of_the_database_is_that_of_its_part() -> None:
    found = Environment(environment("web")).postgres("SUMPWISE_DATABASE_URL")
    given = environment("database")
    assert found["HOST"] in SERVICES
    assert (found["NAME"], found["USER"]) == (given["POSTGRES_DB"], given["POSTGRES_USER"])
    assert found["PORT"] == "5432"  # the server's own, as registered with IANA
    assert not found["PASSWORD"]  # comes from the file


def test_the_address_of_redis_is_that_of_its_part() -> None:
    found = urlsplit(environment("web")["SUMPWISE_REDIS_URL"])
    assert (found.hostname in SERVICES, found.port) == (True, 6379)  # registered with IANA


def test_one_port_is_opened_asked_for_and_published_and_to_this_machine_only() -> None:
    (published,) = SERVICES["web"]["ports"]
    assert published == "127.0.0.1:${PAGES_PORT:-8000}:8000"
    assert environment("web")["SUMPWISE_LISTEN"] == "0.0.0.0:8000"  # noqa: S104 (a container's own)
    assert "http://localhost:8000/ready" in SERVICES["web"]["healthcheck"]["test"][-1]
    assert re.findall(r"^EXPOSE (\d+)$", DOCKERFILE, re.MULTILINE) == ["8000"]
    assert not [name for name, part in SERVICES.items() if "ports" in part and name != "web"]


def test_only_pages_reach_further_than_the_other_parts() -> None:
    assert COMPOSE["networks"]["inside"] == {"internal": True}
    outside = {name for name, part in SERVICES.items() if part["networks"] != ["inside"]}
    assert outside == {"web"}


@pytest.mark.parametrize("name", sorted(SERVICES))
def test_each_part_may_do_only_what_it_needs(name: str) -> None:
    part = SERVICES[name]
    assert part["read_only"] is True
    assert part["cap_drop"] == ["ALL"]
    assert part["security_opt"] == ["no-new-privileges:true"]
    assert {"mem_limit", "pids_limit"} <= set(part)
    (user,) = re.findall(r"^USER (\w+)$", DOCKERFILE, re.MULTILINE)
    assert part.get("user", user) not in {"root", "0"}
    assert name in OURS or "user" in part


@pytest.mark.parametrize("name", sorted(SERVICES))
def test_what_each_part_writes_is_a_named_volume_or_forgotten(name: str) -> None:
    part = SERVICES[name]
    volume, _, folder = part["volumes"][0].partition(":")
    assert volume in COMPOSE["volumes"]
    assert PurePosixPath(folder).is_absolute()
    if name in OURS:
        assert part["volumes"][0] == f"data:{environment(name)['SUMPWISE_DATA']}"
        assert part["tmpfs"] == ["/tmp"]  # noqa: S108 (of a container)


@pytest.mark.parametrize("name", LASTING)
def test_each_lasting_part_says_whether_it_is_well_and_comes_back(name: str) -> None:
    assert SERVICES[name]["healthcheck"]["test"]
    assert SERVICES[name]["restart"] == "unless-stopped"


def test_the_database_is_well_only_once_other_machines_reach_it() -> None:
    """While its image sets it up a first server runs, which a socket reaches and no address."""
    assert SERVICES["database"]["healthcheck"]["test"][2:4] == ["-h", "127.0.0.1"]


def test_redis_talks_to_the_other_parts_whatever_its_image_says() -> None:
    """It has no password; only the parts are in its network."""
    assert SERVICES["redis"]["command"][-2:] == ["--protected-mode", "no"]
    assert SERVICES["redis"]["networks"] == ["inside"]
    assert COMPOSE["networks"]["inside"] == {"internal": True}


@pytest.mark.parametrize("name", ["web", "worker", "beat"])
def test_nothing_starts_before_the_database_is_brought_up_to_date(name: str) -> None:
    waits = SERVICES[name]["depends_on"]
    assert waits["migrate"] == {"condition": "service_completed_successfully"}
    assert waits["redis"] == {"condition": "service_healthy"}
    assert SERVICES["migrate"]["depends_on"] == {"database": {"condition": "service_healthy"}}
    assert SERVICES["migrate"]["restart"] == "no"


def test_the_pretended_read_only_file_system_holds(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "sitecustomize.py").write_text(SITE.format([str(tmp_path / "mine")]))
    path = os.pathsep.join([str(tmp_path), str(BASE_DIR)])
    for where, code in (("mine/a", 0), ("a", 1)):
        program = f"open({str(tmp_path / where)!r}, 'w')"
        answer = subprocess.run([sys.executable, "-c", program], env={"PYTHONPATH": path})
        assert answer.returncode == code
