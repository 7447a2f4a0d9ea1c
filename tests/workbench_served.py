"""A workbench that really listens, on an archive of its own, and how tests ask it."""

from __future__ import annotations

import http.client
import json
import os
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import uvicorn

from fringewise.wiring import read_settings
from fringewise.workbench.bench import Bench
from fringewise.workbench.door import Keys
from fringewise.workbench.front import make_service
from fringewise.workbench.serving import own_socket

IDENTITY = "W-2041"
LOOK = ("compressor 3", "2", "pressure side")


@dataclass
class Served:
    """A running workbench and how to ask it."""

    port: int
    keys: Keys
    bench: Bench
    looked: dict[str, str] = field(default_factory=dict)

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def address(self) -> str:
        return f"{self.origin}/?token={self.keys.token}"

    def headers(self, **more: str) -> dict[str, str]:
        return {"cookie": f"{self.keys.cookie}={self.keys.secret}", "origin": self.origin, **more}

    def raw(
        self, method: str, path: str, headers: dict[str, str], body: bytes = b""
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        connection.putrequest(method, path, skip_host="host" in headers, skip_accept_encoding=True)
        for name, value in ({"content-length": str(len(body))} | headers).items():
            connection.putheader(name, value)
        connection.endheaders(body or None)
        answer = connection.getresponse()
        content = answer.read()
        connection.close()
        return answer.status, answer.headers, content

    def get(self, path: str) -> Any:
        status, _, content = self.raw("GET", path, self.headers())
        assert status == 200, content
        return json.loads(content)

    def post(self, path: str, body: object) -> tuple[int, Any]:
        kind = {"content-type": "application/json"}
        status, _, content = self.raw("POST", path, self.headers(**kind), json.dumps(body).encode())
        return status, json.loads(content)


def serve(folder: Path) -> Iterator[Served]:
    settings = read_settings({"FRINGEWISE_ARCHIVE": str(folder), "FRINGEWISE_SETTINGS": os.devnull})
    listening = own_socket()
    port = int(listening.getsockname()[1])
    bench, keys = Bench(settings), Keys.of_port(port)
    config = uvicorn.Config(
        make_service(bench, keys), log_level="warning", access_log=False, lifespan="off", ws="none"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield Served(port, keys, bench)
    server.should_exit = True
    thread.join(20)
    listening.close()
