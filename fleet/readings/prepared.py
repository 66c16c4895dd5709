"""The process in which foreign files are read; ``apart.py`` starts it and asks it.

    python -I prepared.py NUMBER_OF_A_SOCKET

To import what reads a sheet takes many times as long as to read one. So this process imports it
once, and forks a child for each file: whatever a file does to its child, no other file meets it.
This process looks into no file, has one thread, and knows no settings, database or secrets.

A question is a JSON list ``[module, function, source, target]``; with it comes a socket for the
answer. Whoever asked hangs up there when they want no answer any more, and the socket that
questions come by is at its end when they are gone: then children are ended.
"""

import gc
import importlib
import json
import os
import select
import signal
import socket
import sys
import traceback
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, NamedTuple

MOST_BYTES = 1 << 16  # of a question
BEGUN = b"!"  # said once the child is there

Read = Callable[[Path, Path], Any]


class Child(NamedTuple):
    pid: int
    life: socket.socket  # at its end when the child is, however it ended
    answer: socket.socket

    def end(self) -> None:
        os.kill(self.pid, signal.SIGKILL)  # nobody has waited for it: the number is still its own
        os.waitpid(self.pid, 0)
        self.life.close()
        self.answer.close()


def serve(questions: socket.socket) -> None:
    """Fork a child for each question, until whoever asks is gone."""
    children: list[Child] = []
    try:
        while True:
            ends = {end: child for child in children for end in (child.life, child.answer)}
            ready, _, _ = select.select([questions, *ends], [], [])
            for child in {ends[end] for end in ready if end in ends}:
                children.remove(child)
                child.end()
            if questions in ready:
                question, handed, _, _ = socket.recv_fds(questions, MOST_BYTES, 1)
                if not question:
                    return
                children.append(begin(question, handed[0], [questions, *ends]))
                questions.send(BEGUN)
    finally:
        for child in children:
            child.end()


def begin(question: bytes, handed: int, inherited: Iterable[socket.socket]) -> Child:
    module, function, source, target = json.loads(question)
    read: Read = getattr(importlib.import_module(module), function)  # imported for all to come
    answer = socket.socket(fileno=handed)
    life, held = socket.socketpair()
    if pid := os.fork():
        held.close()
        return Child(pid, life, answer)
    try:
        for end in (life, *inherited):
            end.close()
        os.dup2(0, 2)  # what a library complains of stands in the answer, too
        said = _read(read, Path(source), Path(target))
        answer.sendall(json.dumps(said).encode() + b"\n")
    finally:
        os._exit(0)


def _read(read: Read, source: Path, target: Path) -> dict[str, Any]:
    from fleet.faults import Fault
    from fleet.readings import unpack

    unpack.limit_this_process()
    gc.disable()  # rows hold no circles, and to look for some takes as long as to read them
    try:
        return {"found": read(source, target)}
    except Fault as fault:
        return {"fault": str(fault)}
    except MemoryError:
        return {"fault": unpack.TOO_MUCH_MEMORY}
    except BaseException as error:  # noqa: BLE001 - one of another language is no Exception
        told = "".join(traceback.format_exception_only(error)).strip().splitlines()[-1]
        return {"fault": unpack.UNREADABLE.format(told[:120])}


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever asks decides what Ctrl-C ends
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    import xml.etree.ElementTree  # noqa: F401, S405 - else each child would import it, and

    import python_calamine  # noqa: F401

    serve(socket.socket(fileno=int(sys.argv[1])))
