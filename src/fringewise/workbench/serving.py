"""Starting and ending the service on this machine."""

from __future__ import annotations

import contextlib
import socket
import sys
from typing import Final

import uvicorn
from starlette.types import ASGIApp

from fringewise.core.errors import PlaceUnusable

HOST: Final = "127.0.0.1"


def own_socket(port: int = 0) -> socket.socket:
    """Take a port of this machine's own address; 0 takes any that is free.

    Raises
    ------
    PlaceUnusable
        Another program has the port.
    """
    taken = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform == "win32":
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
    else:  # there, it only lets a port be taken again at once after a restart
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        taken.bind((HOST, port))
    except OSError as error:
        taken.close()
        words = f"port {port} can't be had: {error.strerror or error}; name another, or none"
        raise PlaceUnusable(words) from error
    return taken


def serve(app: ASGIApp, on: socket.socket) -> None:
    """Answer requests until the process is told to stop."""
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, lifespan="off", ws="none",
        timeout_graceful_shutdown=2,
    )  # fmt: skip
    with contextlib.suppress(KeyboardInterrupt):  # that is how it is told to stop
        uvicorn.Server(config).run(sockets=[on])
