"""What gunicorn makes of its settings; nothing is started."""

import os
import re
import subprocess
import sys

import pytest
from django.conf import settings

WEB = ["-m", "gunicorn", "-c", "python:config.webserver", "--print-config"]
HERE = "['127.0.0.1:8000']"


@pytest.mark.parametrize(
    ("given", "options", "listens"),
    [
        ({}, [], HERE),
        ({"PORT": "9000"}, [], HERE),  # of whatever else runs there
        ({"SUMPWISE_LISTEN": ""}, [], HERE),
        ({"SUMPWISE_LISTEN": "0.0.0.0:80"}, [], "['0.0.0.0:80']"),
        ({"SUMPWISE_LISTEN": "10.0.0.7"}, [], "['10.0.0.7']"),
        ({"SUMPWISE_LISTEN": "0.0.0.0:80"}, ["--bind", "fd://7"], "['fd://7']"),  # as serve does
    ],
)
def test_pages_are_for_this_machine_only_unless_told_otherwise(
    given: dict[str, str], options: list[str], listens: str
) -> None:
    answer = subprocess.run(
        [sys.executable, *WEB, *options],
        env={"PATH": os.environ["PATH"], **given},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        check=True,
    )
    assert re.findall(r"^bind +=+ *(.*)$", answer.stdout, re.M) == [listens], answer.stdout
