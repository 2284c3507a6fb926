"""Where the survey desk is to be found: check what was asked before the server starts."""

from __future__ import annotations

import secrets
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from facademap.errors import InputError
from facademap.io.whole_files import open_hold
from facademap.store.project import Project
from facademap.tasks.desk.assist import Assistant

__all__ = ["ServePlan", "plan_server"]

_LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
SHORTEST_SECRET = 12
#: Ports tried in turn when none was asked for.
FIRST_PORT, TRIED_PORTS = 8471, 20


@dataclass(frozen=True, slots=True, kw_only=True)
class ServePlan:
    """An open socket, the address that people type, and the hold on the project while the server runs."""

    folder: Path
    host: str
    secret: str
    socket: socket.socket
    address: str
    hold: IO[str] | None = None
    assistant: Assistant | None = None


def plan_server(
    folder: str | Path,
    *,
    host: str = "127.0.0.1",
    port: int | None = None,
    secret: str = "",
    model: Path | None = None,
) -> ServePlan:
    """Check project, host, secret and segmentation model, and take a port.

    Raises
    ------
    FacademapError
        No project, a host that others can reach without a secret, a port that is taken.
    """
    with Project.open(folder):
        pass
    path = Path(folder).resolve()
    if path.name == "project.gpkg":
        path = path.parent
    if host not in _LOOPBACK and not secret:
        raise InputError(
            f"host {host} can be reached by other machines, and no secret was given",
            f"Add --secret, for instance --secret {secrets.token_urlsafe(12)}, or leave --host out.",
        )
    if secret and len(secret) < SHORTEST_SECRET:
        raise InputError(
            f"a secret of {len(secret)} characters", f"Use {SHORTEST_SECRET} characters or more."
        )
    assistant = Assistant(model)
    hold = _hold(path)
    taken = _listen(host, port)
    shown = socket.gethostname() if host in ("0.0.0.0", "::") else host
    shown = f"[{shown}]" if ":" in shown else shown
    address = f"http://{shown}:{taken.getsockname()[1]}/"
    if hold is not None:
        hold.truncate(0)
        hold.write(address)
        hold.flush()
    return ServePlan(
        folder=path,
        host=host,
        secret=secret,
        socket=taken,
        address=address,
        hold=hold,
        assistant=assistant,
    )


def _hold(folder: Path) -> IO[str] | None:
    """Keep a second server off the project; the hold ends with the process, however it ends.

    ``None`` where the system knows no such hold or the folder cannot be written.
    """
    try:
        import fcntl
    except ImportError:
        return None
    try:
        file = open_hold("cache/serving", inside=folder)
    except (OSError, InputError):
        return None
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.seek(0)
        address = file.read(200).strip() or "another address"
        file.close()
        raise InputError(
            f"{folder}: the survey desk of this project is running already at {address}",
            "Open that address; several people can work there at once. Or stop it first.",
        ) from None
    except OSError:
        file.close()
        return None
    return file


def _listen(host: str, port: int | None) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    ports = [port] if port is not None else list(range(FIRST_PORT, FIRST_PORT + TRIED_PORTS))
    for number in ports:
        # named as TCP, since only then does the event loop send small answers at once instead of waiting 40 ms
        taken = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            taken.bind((host, number))
            taken.listen(128)
        except OSError as error:
            taken.close()
            if isinstance(error, socket.gaierror):
                raise InputError(
                    f"host {host}: {error.strerror}", "Give an address of this machine."
                ) from None
            continue
        return taken
    asked = (
        f"port {port} is"
        if port is not None
        else f"ports {FIRST_PORT} to {FIRST_PORT + TRIED_PORTS - 1} are"
    )
    raise InputError(f"{asked} in use or not allowed on {host}", "Choose another with --port.")
