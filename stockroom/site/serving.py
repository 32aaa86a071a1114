"""Serve the shop: one process, a few threads, and the jobs behind the pages."""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any

import waitress
from django.conf import settings

from stockroom.site.wsgi import application

THREADS = 8
LEAVING_S = 20  # a worker comes to a good place within a second or so; a solver's step may take longer

# A function that works until the event is set, by the name of its thread.
Workers = Mapping[str, Callable[[threading.Event], None]]


@contextmanager
def working(workers: Workers) -> Iterator[None]:
    """The jobs behind the pages, for as long as the block lasts."""
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


def is_this_machine_alone(host: str) -> bool:
    """Whether a server at this address is reached from this machine and no other."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def own_names() -> list[str]:
    """The names and addresses by which other machines in the house reach this one."""
    name = socket.gethostname()
    found = {name, f"{name}.local"}
    with suppress(OSError):  # the machine may not know its own name: the next question is enough
        found |= {str(entry[4][0]) for entry in socket.getaddrinfo(name, None, socket.AF_INET)}
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:  # there may be no network
        probe.connect(("192.0.2.1", 9))  # sends nothing: only asks which address would be used (RFC 5737's example)
        found.add(probe.getsockname()[0])
    return sorted(found)


def answer_by_own_names(host: str) -> list[str]:
    """Let the house's machines in by this one's names, unless ALLOWED_HOSTS says which. Returns the names in use."""
    if not is_this_machine_alone(host) and not os.environ.get("ALLOWED_HOSTS"):
        settings.ALLOWED_HOSTS = sorted({*settings.ALLOWED_HOSTS, *own_names()})
    return list(settings.ALLOWED_HOSTS)


def server_options() -> dict[str, Any]:
    """Of waitress. A proxy's word that the browser spoke https is taken from the trusted proxy alone."""
    options: dict[str, Any] = {
        "threads": THREADS,
        "ident": None,
        "max_request_body_size": settings.MOST_BODY_BYTES,
    }
    if settings.SECURE_PROXY_SSL_HEADER:
        options |= {
            "trusted_proxy": os.environ.get("TRUSTED_PROXY", "127.0.0.1"),
            "trusted_proxy_headers": {"x-forwarded-proto", "x-forwarded-for"},
        }
    return options


def serve(host: str, port: int, workers: Workers) -> None:
    """Answer requests at host:port until Ctrl-C or SIGTERM, upon which the workers give back what they have in hand."""
    answer_by_own_names(host)
    for sign in (signal.SIGINT, signal.SIGTERM):  # said for both: what a shell starts behind its back ignores SIGINT
        signal.signal(sign, lambda *_: sys.exit(0))
    with working(workers):
        waitress.serve(application, host=host, port=port, **server_options())
