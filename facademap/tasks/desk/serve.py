"""Where the survey desk is to be found: check what was asked before the server starts."""

from __future__ import annotations

import ipaddress
import re
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import IO
from urllib.parse import urlsplit

from facademap.errors import FileError, InputError
from facademap.io.whole_files import STORE_NAME, open_hold
from facademap.store.project import Project
from facademap.store.team_people import book_of
from facademap.tasks.desk.accounts import need_library
from facademap.tasks.desk.assist import Assistant
from facademap.tasks.desk.secret import SECRET_VARIABLE, check_secret

__all__ = ["ServePlan", "needs_secret", "plan_server"]

_LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
#: Ports tried in turn when none was asked for.
FIRST_PORT, TRIED_PORTS = 8471, 20


@dataclass(frozen=True, slots=True, kw_only=True)
class ServePlan:
    """An open socket, the address that people type, and the hold on the project while the server runs.

    ``own_address`` is the address for a browser on this machine; ``tls`` certificate and key; ``behind_proxy`` whether
    people come by another server that stands in front; ``accounts`` whether they have accounts of their own; ``queue`` whether
    long work goes into the queue of the database.
    """

    folder: Path
    host: str
    secret: str
    socket: socket.socket
    address: str
    own_address: str
    tls: tuple[Path, Path] | None = None
    names: tuple[str, ...] = ()
    behind_proxy: bool = False
    accounts: bool = False
    queue: bool = False
    hold: IO[str] | None = None
    assistant: Assistant | None = None


def needs_secret(host: str, public: str = "") -> bool:
    """Whether other machines can reach a server that listens on ``host``."""
    return host not in _LOOPBACK or bool(public)


def plan_server(
    folder: str | Path,
    *,
    host: str = "127.0.0.1",
    port: int | None = None,
    secret: str = "",
    tls: tuple[Path, Path] | None = None,
    public: str = "",
    model: Path | None = None,
    accounts: bool = False,
    queue: bool = False,
) -> ServePlan:
    """Check project, host, secret, certificate and segmentation model, and take a port.

    Parameters
    ----------
    folder : path
        Project.
    host, port : str, int
        Where to listen.
    secret : str
        Of the team; needed wherever others can reach the server.
    tls : (certificate, key), optional
        PEM files.
    public : str
        Address of a reverse proxy through which people come, such as ``https://desk.example.org/``.
    model : Path, optional
        Segmentation model of one's own.
    accounts : bool
        Whether everybody comes with an account that the database of the project keeps.
    queue : bool
        Whether long work goes into the queue of the project's database.

    Raises
    ------
    FacademapError
        No project, a host that others can reach without a secret, a weak secret, a certificate that does not fit its
        key, a port that is taken.
    """
    with Project.open(folder) as project:
        words = (str(project.setting("name", "")), project.folder.name)
        if accounts:
            _need_people(project, secret)
        if queue and not project.in_database:
            raise InputError(
                f"{folder}: lies in a file, and jobs wait for workers in a database",
                "Leave --queue out, or copy the project into a database with facademap copy.",
            )
    path = Path(folder).resolve()
    if path.name == STORE_NAME:
        path = path.parent
    name = _public_name(public)
    if needs_secret(host, public) and not secret and not accounts:
        raise InputError(
            f"{public or f'host {host}'} can be reached by other machines, and no secret was given",
            f"Type it when asked, put it into {SECRET_VARIABLE} or a file for --secret-file, or leave --host and "
            "--public out.",
        )
    if secret:
        check_secret(secret, words=words)
    if tls is not None:
        _check_certificate(*tls)
    assistant = Assistant(model)
    hold = _hold(path)
    taken = _listen(host, port)
    own = _address(host, taken, tls=tls is not None)
    address = public.rstrip("/") + "/" if public else own
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
        own_address=own,
        tls=tls,
        names=(name,) if name else (),
        behind_proxy=bool(public),
        accounts=accounts,
        queue=queue,
        hold=hold,
        assistant=assistant,
    )


def _need_people(project: Project, secret: str) -> None:
    """There are accounts, this server may use them, and nothing else opens the desk beside them."""
    if secret:
        raise InputError(
            "both accounts and a secret of the team were given", "Give one of the two."
        )
    need_library()
    with book_of(project) as book:
        if not any(m.has_secret or m.invited_until for m in book.members()):
            raise InputError(
                "nobody could sign in: nobody was invited to this project yet",
                "Invite somebody with facademap people invite.",
            )


def _address(host: str, taken: socket.socket, *, tls: bool) -> str:
    shown = socket.gethostname() if host in ("0.0.0.0", "::") else host
    shown = f"[{shown}]" if ":" in shown else shown
    return f"http{'s' if tls else ''}://{shown}:{taken.getsockname()[1]}/"


def _public_name(public: str) -> str:
    """The host name in the address of a reverse proxy."""
    if not public:
        return ""
    remedy = "Give the address that people type, such as https://desk.example.org/."
    try:
        parts = urlsplit(public)
        name = parts.hostname or ""
    except ValueError:
        raise InputError(f"--public {public[:80]!r} is no address", remedy) from None
    plain = re.match(r"[a-z0-9]([a-z0-9.-]*[a-z0-9])?\Z", name) or _is_number(name)
    extra = parts.username or parts.query or parts.fragment or parts.path not in ("", "/")
    if parts.scheme not in ("http", "https") or not plain or extra:
        raise InputError(f"--public {public[:80]!r} is no address of a whole server", remedy)
    return name


def _is_number(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _check_certificate(certificate: Path, key: Path) -> None:
    """Both can be read and belong together."""
    for file in (certificate, key):
        if not file.is_file():
            raise FileError(f"{file} is not there", "Give certificate and key as PEM files.")
    try:
        # a key that asks for a password would stop the server at the terminal
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
            certificate, key, password=lambda: ""
        )
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or getattr(error, "strerror", None) or "not PEM"
        words = str(reason).lower().replace("_", " ")
        raise FileError(
            f"{certificate} and {key}: no certificate and key that can be used ({words})",
            "Give the PEM files of a certificate with its chain and of its key, without a password.",
        ) from None


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
