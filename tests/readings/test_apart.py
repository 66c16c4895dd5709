"""Files read in processes of their own: what befalls one reaches no other, and nothing is left."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from fleet.readings import apart
from tests.processes import wait_for
from tests.readings import readers


@pytest.fixture(autouse=True)
def prepared(monkeypatch: pytest.MonkeyPatch) -> Iterator[apart.Prepared]:
    """A prepared process of this test, which leaves none behind."""
    with monkeypatch.context() as patch:
        patch.setattr(apart, "mine", mine := apart.Prepared())
        yield mine
        mine.end()


def read(function: Any, target: Path = Path("there"), within_s: float = 60) -> Any:
    return apart.read_apart(function, Path("here"), target, within_s)


def of(function: Any) -> Any:
    return read(function)["found"]


def is_there(pid: int) -> bool:
    with suppress(ProcessLookupError):
        os.kill(pid, 0)
        return True
    return False


def begun(folder: Path) -> list[int]:
    """Numbers of a reader that stays, and of the process that it is forked from."""
    wait_for((folder / "who").exists)
    return [int(number) for number in (folder / "who").read_text().split()]


def test_each_file_has_a_process_of_its_own_forked_from_one_that_stays() -> None:
    (one, its), (other, others) = of(readers.who), of(readers.who)
    assert len({os.getpid(), its, one, other}) == 4
    assert its == others


def test_no_time_is_spent_on_circles_among_rows() -> None:
    assert of(readers.look_for_circles) is False


@pytest.mark.parametrize(
    ("function", "why"),
    [
        (readers.refuse, "Row 7 has no date: write one."),
        (readers.take_all_memory, "The file needs too much memory: split it into smaller files."),
        (
            readers.stumble,
            f"The file cannot be read (KeyError: '{'x' * 109}): open it in a spreadsheet program, "
            "save it again and send that.",
        ),
        (
            readers.interrupt,
            "The file cannot be read (KeyboardInterrupt): open it in a spreadsheet program, save "
            "it again and send that.",
        ),
    ],
)
def test_why_a_file_is_refused_is_said(
    function: Any, why: str, capfd: pytest.CaptureFixture[str]
) -> None:
    assert read(function) == {"fault": why}
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("function", [readers.die, readers.die_halfway, readers.take_all_time])
def test_one_that_is_ended_touches_no_other(function: Any) -> None:
    before = of(readers.who)
    with pytest.raises(EOFError):
        read(function)
    assert of(readers.who)[1] == before[1]


def test_a_reader_knows_its_paths_and_limits_and_nothing_of_the_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SUMPWISE_SECRET_KEY", "nobody's business")
    monkeypatch.chdir(tmp_path)
    found = of(readers.look_around)
    assert found["paths"] == [f"{tmp_path}/here", f"{tmp_path}/there"]
    assert found["environment"].keys() - {"LC_CTYPE"} == {"OPENBLAS_NUM_THREADS"}
    assert not [name for name in found["modules"] if name.startswith(("django", "config"))]
    # 2 GiB of memory and of rows, two minutes
    assert found["limits"] == [[2**31, 2**31], [120, 120], [2**31, 2**31]]


def test_a_reader_has_no_descriptor_of_another(tmp_path: Path) -> None:
    alone = of(readers.look_around)["open"]
    assert alone == 5  # standard ones, its answer, and what tells that it lives
    with ThreadPoolExecutor(2) as pool:
        for name in ("one", "two"):
            (tmp_path / name).mkdir()
            pool.submit(read, readers.tell_and_stay, tmp_path / name)
        pids = [begun(tmp_path / name)[0] for name in ("one", "two")]
        assert of(readers.look_around)["open"] == alone
        for pid in pids:
            os.kill(pid, signal.SIGKILL)


def test_what_takes_more_than_a_socket_holds_comes_whole() -> None:
    assert of(readers.write_much) == ["x" * 1000] * 1000


def test_many_threads_get_each_its_own_answer_and_nothing_is_left() -> None:
    of(readers.who)
    before = len(os.listdir("/dev/fd"))
    with ThreadPoolExecutor(8) as pool:
        who = list(pool.map(of, [readers.who] * 60))
    assert len({pid for pid, _ in who}) == 60
    assert len({its for _, its in who}) == 1
    assert len(os.listdir("/dev/fd")) == before
    wait_for(lambda: not any(is_there(pid) for pid, _ in who))  # nor one that nobody waited for


def test_a_reader_that_nobody_waits_for_is_ended(tmp_path: Path) -> None:
    with pytest.raises(TimeoutError):
        read(readers.tell_and_stay, tmp_path, within_s=1)
    pid, its = begun(tmp_path)
    assert not is_there(pid)
    assert of(readers.who)[1] == its


def test_a_prepared_process_that_died_is_started_again(tmp_path: Path) -> None:
    _, its = of(readers.who)
    os.kill(its, signal.SIGKILL)
    assert of(readers.who)[1] not in {its, os.getpid()}


def test_one_that_does_not_answer_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    _, its = of(readers.who)
    os.kill(its, signal.SIGSTOP)
    assert apart.mine._questions.gettimeout() == apart.BEGINS_WITHIN_S
    apart.mine._questions.settimeout(0.1)
    monkeypatch.setattr(apart, "ENDS_WITHIN_S", 0.1)
    assert of(readers.who)[1] != its
    assert not is_there(its)


def test_whoever_lets_it_go_ends_what_it_reads(tmp_path: Path) -> None:
    with ThreadPoolExecutor(1) as pool:
        waits = pool.submit(read, readers.tell_and_stay, tmp_path)
        reader, _ = begun(tmp_path)
        apart.mine.end()
        with pytest.raises(EOFError):
            waits.result(timeout=20)
    assert not is_there(reader)


def test_one_that_cannot_be_started_is_the_programs_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(apart, "PREPARED", tmp_path / "missing.py")
    with pytest.raises(OSError, match="has ended|Broken pipe|reset"):
        read(readers.who)
    monkeypatch.undo()
    assert of(readers.who)


def test_a_fork_has_a_prepared_process_of_its_own() -> None:
    _, its = of(readers.who)
    asked, answers = os.pipe()
    if not (fork := os.fork()):
        with suppress(BaseException):
            os.write(answers, f"{of(readers.who)[1]}".encode())
        os._exit(0)
    os.waitpid(fork, 0)
    assert int(os.read(asked, 20)) not in {its, os.getpid()}
    assert of(readers.who)[1] == its
    for end in (asked, answers):
        os.close(end)


def test_a_fork_may_happen_while_a_thread_asks() -> None:
    with apart.mine._turn:
        if not (fork := os.fork()):
            os._exit(0 if not apart.mine._turn.locked() else 1)
        assert os.waitpid(fork, 0)[1] == 0


def test_a_fork_does_not_keep_it_alive_nor_ends_it() -> None:
    _, its = of(readers.who)
    ready, go = os.pipe()
    if not (fork := os.fork()):
        os.read(ready, 1)
        os._exit(0)
    assert of(readers.who)[1] == its
    process = apart.mine._process
    assert process
    apart.mine.end()
    assert process.returncode == 0  # by itself
    os.write(go, b"!")
    os.waitpid(fork, 0)
    for end in (ready, go):
        os.close(end)


OWNER = """
import signal, sys
from pathlib import Path
signal.signal(signal.SIGINT, signal.default_int_handler)  # whatever whoever runs tests ignores
from fleet.readings.apart import read_apart
from tests.readings import readers
print(read_apart(getattr(readers, sys.argv[1]), Path("here"), Path(sys.argv[2]), 600)["found"][1])
"""


def owner(read: str, folder: Path) -> list[str]:
    return [sys.executable, "-c", OWNER, read, str(folder)]


def test_an_owner_ends_in_order(tmp_path: Path) -> None:
    ended = subprocess.run(owner("who", tmp_path), capture_output=True, text=True)
    assert (ended.returncode, ended.stderr) == (0, "")
    assert not is_there(int(ended.stdout))


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT])
def test_all_of_it_ends_with_its_owner(tmp_path: Path, number: signal.Signals) -> None:
    command = owner("tell_and_stay", tmp_path)
    with subprocess.Popen(command, stderr=subprocess.PIPE) as process:
        reader, _ = begun(tmp_path)
        process.send_signal(number)
        process.communicate(timeout=20)  # the prepared process complains to the same place
    assert not is_there(reader)


def test_ctrl_c_is_for_its_owner(tmp_path: Path) -> None:
    with ThreadPoolExecutor(1) as pool:
        pool.submit(read, readers.tell_and_stay, tmp_path)
        reader, its = begun(tmp_path)
        for pid in (its, reader):
            os.kill(pid, signal.SIGINT)
        assert of(readers.who)[1] == its
        assert is_there(reader)
        os.kill(reader, signal.SIGKILL)
