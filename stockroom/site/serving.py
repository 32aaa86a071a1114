"""Serve the shop: one process, a few threads, and the work of settings.BACKGROUND_WORK behind the pages.

- `serve(host, port)`: runs until it is interrupted
- `working()`: the background work alone, for as long as the block lasts
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import waitress
from django.conf import settings
from django.utils.module_loading import import_string

from stockroom.site.wsgi import application

THREADS = 8


@contextmanager
def working() -> Iterator[None]:
    stop = threading.Event()
    workers = [
        threading.Thread(target=import_string(name), args=(stop,), name=name, daemon=True)
        for name in settings.BACKGROUND_WORK
    ]
    for worker in workers:
        worker.start()
    try:
        yield
    finally:
        stop.set()
        for worker in workers:
            worker.join(timeout=10)


def serve(host: str, port: int) -> None:
    """Answer requests at host:port until interrupted."""
    with working():
        waitress.serve(application, host=host, port=port, threads=THREADS, ident=None)
