"""The throw-away cluster goes away however its command ends."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.parse import urlsplit

import pytest
from django.conf import settings

from tests.postgres import NoPostgres, programs

TELL_AND_WAIT = "import os, time; print(os.environ['DATABASE_URL'], os.getpid(), flush=True); time.sleep(600)"


def _is_answered(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _is_running(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.fixture
def folder() -> Iterator[Path]:
    """Where the cluster is made; root runs the server as another user, who cannot enter pytest's own folders."""
    with TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_run_that_is_stopped_leaves_no_server_no_folder_and_no_command(ending: signal.Signals, folder: Path) -> None:
    try:
        programs()
    except NoPostgres as problem:
        pytest.skip(str(problem))
    command = [sys.executable, "-m", "tests.postgres", sys.executable, "-c", TELL_AND_WAIT]
    run = subprocess.Popen(
        command,
        cwd=settings.BASE_DIR,
        env={**os.environ, "TMPDIR": str(folder)},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    with run:
        assert run.stdout is not None
        url, process = run.stdout.readline().split()
        port = urlsplit(url).port
        assert port and _is_answered(port) and list(folder.iterdir())
        run.send_signal(ending)
        run.wait(timeout=60)
    assert run.returncode
    assert not _is_answered(port)
    assert not list(folder.iterdir())
    assert not _is_running(int(process))
