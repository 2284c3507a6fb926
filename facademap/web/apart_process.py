"""Makes costly answers in a process of its own: reads orders from stdin, writes answers to stdout, ends with the server."""

from __future__ import annotations

import os
import pickle
import struct
import sys
import threading
import time
from pathlib import Path
from typing import IO, Any

from facademap.errors import FacademapError
from facademap.limits import VARIABLE, read_limits, set_limits

__all__ = ["LENGTH", "main", "read_frame", "write_frame"]

#: Each message is pickled, after its length. Both ends are this program, on one machine, over a pipe that nobody else holds.
LENGTH = struct.Struct("<Q")


def read_frame(pipe: IO[bytes]) -> Any:
    """The next message.

    Raises
    ------
    EOFError
        The other side is gone.
    """
    head = pipe.read(LENGTH.size)
    if len(head) < LENGTH.size:
        raise EOFError
    (size,) = LENGTH.unpack(head)
    data = pipe.read(size)
    if len(data) < size:
        raise EOFError
    return pickle.loads(data)


def write_frame(pipe: IO[bytes], message: Any) -> None:
    """Send a message."""
    data = pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.write(LENGTH.pack(len(data)) + data)
    pipe.flush()


def main() -> None:
    """Answer until the server is gone."""
    orders = os.fdopen(os.dup(0), "rb")
    answers = os.fdopen(os.dup(1), "wb")
    # what native code prints would stand among the answers
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 0)
    os.nice(5)
    threading.Thread(target=_end_with, args=(os.getppid(),), daemon=True).start()
    set_limits(read_limits([os.environ.get(VARIABLE, "")]))
    try:
        _serve(orders, answers)
    except (EOFError, BrokenPipeError):
        sys.exit(0)


def _end_with(server: int) -> None:
    """End when the server is gone: nobody waits for the answer that is worked on, which may take minutes more."""
    while os.getppid() == server:
        time.sleep(1.0)
    os._exit(0)


def _serve(orders: IO[bytes], answers: IO[bytes]) -> None:
    from facademap.store.project import Project
    from facademap.tasks.desk.assist import Assistant
    from facademap.tasks.desk.pictures import Pictures
    from facademap.web.costly import TASKS, Tools, read_ahead

    begun = read_frame(orders)
    folder = Path(begun["folder"])
    opened: list[Project] = []

    def reading() -> Project:
        if not opened:
            opened.append(Project.open(folder, read_only=True))
        return opened[0]

    tools = Tools(
        folder=folder,
        reading=reading,
        pictures=Pictures(folder),
        assistant=Assistant(begun["model"]),
    )
    read_ahead()
    while True:
        name, given = read_frame(orders)
        try:
            told = {"answer": TASKS[name](tools, **given)}
        except FacademapError as error:
            told = {"refused": _plain(error)}
        except Exception as error:
            told = {"fault": f"{type(error).__name__}: {' '.join(str(error).split())[:200]}"}
        write_frame(answers, told)


def _plain(error: FacademapError) -> dict[str, Any]:
    return {
        "type": type(error).__name__,
        "problem": error.problem,
        "remedy": error.remedy,
        "more": {k: v for k, v in vars(error).items() if k in ("faults", "consequences")},
    }


if __name__ == "__main__":
    main()
