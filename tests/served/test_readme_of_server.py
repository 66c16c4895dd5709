"""What the README says about a server is what docker-compose.yml and the program do."""

import re
import shlex
import stat
import subprocess
from pathlib import Path

import pytest

from config import cli, health
from config.settings import BASE_DIR
from fleet.readings.intake import MOST_BYTES
from tests.served.test_compose_file import COMPOSE, DOCKERFILE, SERVICES
from tests.test_readme import block, section

TITLE = "On a server"
TEXT = section(TITLE)
USER = re.findall(r"useradd --uid (\d+)", DOCKERFILE)
UNITS = {"m": 1 / 1024, "g": 1.0}  # of memory, in GB


def commands() -> list[str]:
    """Every command of Docker Compose that is named, in blocks and in sentences."""
    lines = [line for line in block(TITLE) if line.startswith("docker")]
    return lines + re.findall(r"`(docker compose [^`]+)`", TEXT)


@pytest.mark.parametrize("umask", [0o022, 0o077])
def test_secrets_as_written_can_be_read_in_containers_and_by_nobody_else_here(
    tmp_path: Path, umask: int
) -> None:
    making = [line for line in block(TITLE) if ".secrets" in line]
    script = "; ".join(["set -e", *making])
    subprocess.run(["sh", "-c", script], cwd=tmp_path, umask=umask, check=True)
    folder = tmp_path / ".secrets"
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    files = {path.name: path for path in folder.iterdir()}
    named = {Path(one["file"]).name for one in COMPOSE["secrets"].values()}
    assert set(files) == named
    for path in files.values():
        assert stat.S_IMODE(path.stat().st_mode) == 0o444
        assert len(path.read_text().strip()) >= 40  # base64 of 30 bytes (RFC 4648: 4 for 3)


def test_the_folder_for_backups_is_that_of_compose_and_of_the_user_inside() -> None:
    (making,) = [line for line in block(TITLE) if "install" in line]
    assert shlex.split(making) == ["sudo", "install", "-d", "-m", "700", "-o", *USER, "backups"]
    (mounted,) = SERVICES["migrate"]["volumes"][1:]
    host, _, inside = mounted.rpartition(":")
    assert host.endswith(":-./backups}")
    paths = re.findall(r"sumpwise (?:backup|restore) (/\S+)/FILE", TEXT)
    assert set(paths) == {inside}
    assert f"install -m 600 -o {USER[0]} FILE.zip backups/" in TEXT


@pytest.mark.parametrize("command", commands())
def test_each_command_of_compose_names_parts_and_commands_that_there_are(command: str) -> None:
    words = shlex.split(command)[2:]
    verb, given = words[0], [word for word in words[1:] if not word.startswith("--")]
    if verb in {"run", "exec"}:
        part, program, *rest = words[words.index("sumpwise") - 1 :]
        assert (part in SERVICES, program) == (True, "sumpwise")
        assert cli.parser().parse_args(rest).run
    else:
        assert verb in {"up", "down", "stop", "logs", "build"}
        assert set(given) <= set(SERVICES)


def test_what_is_stopped_for_an_upgrade_is_all_that_writes_and_lasts() -> None:
    ours = {name for name, part in SERVICES.items() if part["image"] == "sumpwise"}
    assert f"docker compose stop {' '.join(n for n in SERVICES if n in ours - {'migrate'})}" in TEXT


def test_memory_is_the_sum_of_the_limits() -> None:
    lasting = [part["mem_limit"] for name, part in SERVICES.items() if name != "migrate"]
    total = sum(float(one[:-1]) * UNITS[one[-1]] for one in lasting)
    assert re.findall(r"together are (\d+) GB of memory, (\d+) of them", TEXT) == [
        (f"{total:.0f}", SERVICES["database"]["mem_limit"][0])
    ]


def test_the_commands_without_containers_are_those_of_compose() -> None:
    first, *rest = block(TITLE, 2)
    assert rest == [shlex.join(SERVICES[name]["command"]) for name in SERVICES if name in OURS]
    assert first in (BASE_DIR / ".env.example").read_text().replace("(", "").replace(")", "")


OURS = ("migrate", "web", "worker", "beat")


def test_the_project_that_is_looked_through_for_unhealthy_parts_is_that_of_compose() -> None:
    (line,) = block(TITLE, 1)
    assert f"label=com.docker.compose.project={COMPOSE['name']} " in line
    assert len(line.split()[:5]) == line.split()[:5].count("*")


def test_the_addresses_for_watching_are_those_that_there_are() -> None:
    (row,) = [line for line in TEXT.splitlines() if line.startswith("| watching")]
    assert set(re.findall(r"`(/\w+)`", row)) == set(health.ANSWERS)
    assert f"{2 * health.WITHIN_S:.0f}" == {"two": "2"}[re.findall(r"within (\w+) seconds", row)[0]]


def test_logs_are_kept_as_said() -> None:
    kept = SERVICES["web"]["logging"]["options"]
    assert (kept["max-file"], kept["max-size"]) == ("5", "10m")
    assert "five files of 10 MB of each part" in TEXT


def test_the_proxy_lets_the_largest_file_through() -> None:
    assert f"lets {MOST_BYTES >> 20} MB through" in TEXT
