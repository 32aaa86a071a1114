"""Serve the shop: one process, a few threads, and the photographs worked off in the background.

- `serve(host, port)`: runs until it is interrupted
"""

from __future__ import annotations

import threading

import waitress

from stockroom import photographs
from stockroom.wsgi import application

THREADS = 8


def serve(host: str, port: int) -> None:
    """Answer requests at host:port until interrupted."""
    stop = threading.Event()
    worker = threading.Thread(target=photographs.work_forever, args=(stop,), name="photographs", daemon=True)
    worker.start()
    try:
        waitress.serve(application, host=host, port=port, threads=THREADS, ident=None)
    finally:
        stop.set()
        worker.join(timeout=10)
