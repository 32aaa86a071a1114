"""Serve the shop: one process, a few threads, and the jobs behind the pages.

- `serve(host, port)`: runs until it is interrupted or told to end
- `working(workers)`: the workers alone, for as long as the block lasts
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

import waitress

from stockroom.site.wsgi import application

THREADS = 8
LEAVING_S = 20  # a worker comes to a good place within a second or so; a solver's step may take longer

# A function that works until the event is set, by the name of its thread.
Workers = Mapping[str, Callable[[threading.Event], None]]


@contextmanager
def working(workers: Workers) -> Iterator[None]:
    stop = threading.Event()
    threads = [threading.Thread(target=work, args=(stop,), name=name, daemon=True) for name, work in workers.items()]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        stop.set()
        for thread in threads:
            thread.join(timeout=LEAVING_S)


def serve(host: str, port: int, workers: Workers) -> None:
    """Answer requests at host:port until Ctrl-C or SIGTERM, upon which the workers give back what they have in hand."""
    for sign in (signal.SIGINT, signal.SIGTERM):  # said for both: what a shell starts behind its back ignores SIGINT
        signal.signal(sign, lambda *_: sys.exit(0))
    with working(workers):
        waitress.serve(application, host=host, port=port, threads=THREADS, ident=None)
