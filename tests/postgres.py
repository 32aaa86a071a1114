"""A throw-away PostgreSQL cluster, and a command run against it.

    python -m tests.postgres COMMAND [ARGUMENT ...]

runs COMMAND with DATABASE_URL naming a fresh cluster, which is stopped and removed afterwards. The server
refuses to run as root, so root starts it as the user `nobody`.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

ENDINGS = (signal.SIGTERM, signal.SIGHUP)


class NoPostgres(Exception):
    """PostgreSQL's server programs are not on this machine."""


def programs() -> Path:
    """The folder that holds initdb and pg_ctl."""
    if config := shutil.which("pg_config"):
        shown = subprocess.run([config, "--bindir"], capture_output=True, text=True, check=True).stdout.strip()
        if (Path(shown) / "initdb").exists():
            return Path(shown)
    raise NoPostgres("pg_config finds no PostgreSQL server programs (initdb, pg_ctl) on this machine")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def cluster() -> Iterator[str]:
    """The DATABASE_URL of a running cluster that goes away with the block."""
    found = programs()
    as_user = pwd.getpwnam("nobody") if os.geteuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="throwaway-cluster-"))
    if as_user:
        os.chown(folder, as_user.pw_uid, as_user.pw_gid)
    run = {"user": as_user.pw_uid, "group": as_user.pw_gid, "extra_groups": []} if as_user else {}

    def program(name: str, *arguments: str) -> None:
        done = subprocess.run(
            [str(found / name), *arguments],
            cwd=folder,
            capture_output=True,
            text=True,
            **run,  # type: ignore[call-overload]
        )
        if done.returncode:
            raise RuntimeError(f"{name} failed:\n{done.stdout}\n{done.stderr}")

    data, port = str(folder / "data"), _free_port()
    try:
        program("initdb", "-D", data, "-U", "tests", "--auth=trust", "--encoding=UTF8", "--no-sync", "--locale=C.UTF-8")
        settings = f"-p {port} -c listen_addresses=127.0.0.1 -k {folder} -c fsync=off -c full_page_writes=off"
        settings += " -c wal_level=minimal -c max_wal_senders=0 -c max_wal_size=4GB"
        settings += " -c shared_buffers=256MB -c checkpoint_timeout=1h"  # nothing of it outlives the run
        settings += " -c autovacuum=off"  # statistics of tables that a test has just emptied make plans of minutes
        try:
            program("pg_ctl", "-D", data, "-w", "-l", str(folder / "log"), "-o", settings, "start")
            yield f"postgres://tests@127.0.0.1:{port}/postgres"
        finally:
            if (folder / "data" / "postmaster.pid").exists():  # started, however far that came
                program("pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def main(command: list[str]) -> int:
    if not command:
        print(__doc__, file=sys.stderr)
        return 2
    # A signal that ends a job would end this program where it stands, and leave the server running and its folder on
    # the disk. As an exception it leaves by way of the block's end.
    for ending in ENDINGS:
        signal.signal(ending, _leave)
    with cluster() as url, subprocess.Popen(command, env={**os.environ, "DATABASE_URL": url}) as running:
        try:
            return running.wait()
        finally:
            _stop(running)


def _stop(running: subprocess.Popen[bytes]) -> None:
    """Nobody is to talk to a server that is about to go."""
    running.terminate()
    try:
        running.wait(timeout=10)
    except subprocess.TimeoutExpired:
        running.kill()


def _leave(number: int, frame: object) -> NoReturn:
    for ending in ENDINGS:
        signal.signal(ending, signal.SIG_IGN)  # tidying up is under way: a second signal changes nothing
    sys.exit(128 + number)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
