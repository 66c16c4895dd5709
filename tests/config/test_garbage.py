"""Commands, the web server and the worker look for garbage less often than Python by itself."""

import gc
import os
import subprocess
import sys
from collections.abc import Iterator

import pytest
from django.conf import settings

from config import garbage

OF_PYTHON = (700, 10, 10)


@pytest.fixture(autouse=True)
def as_python_has_it() -> Iterator[None]:
    before = gc.get_threshold()
    gc.set_threshold(*OF_PYTHON)
    yield
    gc.set_threshold(*before)


@pytest.mark.parametrize(("before", "after"), [(700, 20_000), (500_000, 500_000)])
def test_what_was_set_higher_is_left_alone(before: int, after: int) -> None:
    gc.set_threshold(before, 7, 9)
    garbage.look_less_often()
    assert gc.get_threshold() == (after, 7, 9)


@pytest.mark.parametrize("part", ["celery", "webserver"])
def test_a_part_looks_less_often_before_it_imports_what_it_needs(part: str) -> None:
    script = (
        f"import gc, sys; from config import {part}; from django.apps import apps;"
        "print(gc.get_threshold()[0], apps.ready)"
    )
    assert said_by(script) == ["20000", "False"]


def test_a_process_of_the_web_server_leaves_out_what_it_imported() -> None:
    script = (
        "import gc; from config import webserver; webserver.post_worker_init(None);"
        "print(gc.get_freeze_count() > 1_000)"
    )
    assert said_by(script) == ["True"]


def said_by(script: str) -> list[str]:
    answer = subprocess.run(
        [sys.executable, "-c", script],
        env={"PATH": os.environ["PATH"]}, cwd=settings.BASE_DIR,
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return answer.stdout.split()
