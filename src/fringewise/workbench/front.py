"""The whole service behind its door: pages at once, the API as soon as its framework is loaded."""

from __future__ import annotations

import asyncio
import threading
from typing import Final

from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from fringewise.workbench.bench import Bench
from fringewise.workbench.door import Door, Keys
from fringewise.workbench.pages import front_page, page

_API: Final = "/api/"


def make_service(bench: Bench, keys: Keys) -> ASGIApp:
    """Make the service for a bench; only who brings `keys` gets in."""
    return Door(Front(bench), keys)


class Front:
    """Answers with pages itself and hands on to the API, which is made when it is first asked."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._api: ASGIApp | None = None
        self._making = threading.Lock()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request."""
        path: str = scope["path"]
        if path.startswith(_API):
            api = self._api if self._api is not None else await asyncio.to_thread(self._made)
            await api(scope, receive, send)
            return
        if scope["method"] not in {"GET", "HEAD"}:
            answer: Response = PlainTextResponse("There is nothing to be done here.\n", 405)
        else:
            found = front_page() if path == "/" else page(path[1:])
            answer = found or PlainTextResponse("There is nothing of that name here.\n", 404)
        await answer(scope, receive, send)
        if path == "/":
            self.bench.warm_up()

    def _made(self) -> ASGIApp:
        with self._making:
            if self._api is None:
                from fringewise.workbench.app import make_api  # noqa: PLC0415 - the first page does without

                self._api = make_api(self.bench)
            return self._api
