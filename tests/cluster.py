"""A PostgreSQL with PostGIS of the tests' own: a temporary cluster, run as somebody who is not root, gone afterwards."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Cluster", "running_cluster"]

#: Whom Debian's packages make for this work; PostgreSQL refuses to run as root.
OWNER = "postgres"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cluster:
    """A server that is running."""

    folder: Path
    port: int
    durable: bool = False

    def address(self, database: str, *, user: str = OWNER) -> str:
        """The address of a database, by the socket in the cluster's folder."""
        return f"postgresql://{user}@/{database}?host={self.folder}&port={self.port}"

    def make_database(self, name: str) -> str:
        """A database of that name with PostGIS; returns its address. Copied from one that has it, which is quicker."""
        import psycopg

        with psycopg.connect(self.address("postgres"), autocommit=True) as raw:
            raw.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
            raw.execute(f'CREATE DATABASE "{name}" TEMPLATE with_postgis')
        return self.address(name)

    def control(self, *words: str) -> None:
        """``pg_ctl`` with these words, such as ``stop -m immediate``."""
        _as_owner([_program("pg_ctl"), "-D", str(self.folder / "data"), "-w", *words])

    def start(self) -> None:
        """Start the server, again if it was stopped."""
        options = (
            f"-k {self.folder} -p {self.port} -c listen_addresses= -c max_connections=120 "
            "-c shared_buffers=64MB -c max_wal_size=256MB"
        )
        if not self.durable:
            options += " -c fsync=off -c full_page_writes=off"
        self.control("-l", str(self.folder / "log"), "-o", options, "start")


def _program(name: str) -> str:
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=_version)
    if not found:
        raise RuntimeError(
            "the tests of the team's store need Debian's postgresql with postgis; fix: as root, run sh tests/system.sh"
        )
    return str(found[-1])


def _version(path: Path) -> int:
    return int(path.parts[-3])


def _as_owner(words: list[str]) -> None:
    change = {"user": OWNER, "group": OWNER, "extra_groups": []} if os.geteuid() == 0 else {}
    done = subprocess.run(
        words,
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
        env={"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
        **change,  # type: ignore[call-overload]
    )
    if done.returncode:
        raise RuntimeError(f"{Path(words[0]).name}: {(done.stderr or done.stdout)[-600:]}")


@contextlib.contextmanager
def running_cluster(*, durable: bool = False) -> Iterator[Cluster]:
    """A new cluster with a database ``with_postgis`` to copy from; a durable one waits for the disk."""
    import psycopg

    folder = Path(tempfile.mkdtemp(prefix="facademap-pg-", dir="/tmp"))
    if os.geteuid() == 0:
        shutil.chown(folder, OWNER, OWNER)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    cluster = Cluster(folder=folder, port=port, durable=durable)
    try:
        _as_owner(
            [
                _program("initdb"),
                "-D",
                str(folder / "data"),
                "-U",
                OWNER,
                "-A",
                "trust",
                "--no-sync",
                "-E",
                "UTF8",
                "--locale=C.UTF-8",
            ]
        )
        cluster.start()
        with psycopg.connect(cluster.address("postgres"), autocommit=True) as raw:
            raw.execute("CREATE DATABASE with_postgis")
        with psycopg.connect(cluster.address("with_postgis"), autocommit=True) as raw:
            raw.execute("CREATE EXTENSION postgis")
        yield cluster
    finally:
        with contextlib.suppress(RuntimeError):
            cluster.control("-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)
