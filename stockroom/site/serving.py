"""Serve the shop: one process, a few threads, and the work of settings.BACKGROUND_WORK behind the pages."""

from __future__ import annotations

import ipaddress
import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import waitress
from django.conf import settings
from django.utils.module_loading import import_string

from stockroom.site.wsgi import application

THREADS = 8


@contextmanager
def working() -> Iterator[None]:
    """The background work, for as long as the block lasts."""
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


def serve(host: str, port: int) -> None:
    """Answer requests at host:port until interrupted."""
    answer_by_own_names(host)
    with working():
        waitress.serve(application, host=host, port=port, **server_options())
