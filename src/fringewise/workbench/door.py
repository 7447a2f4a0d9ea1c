"""Who may come in: the right host, the right origin, a cookie that only this run of the server gives out.

The address that is printed carries a token. Whoever brings it gets a strict cookie; everything else asks for
that cookie. Every answer carries a content security policy: pages load nothing but files of this server.
"""

from __future__ import annotations

import hmac
import json
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; font-src 'self'; "
    "connect-src 'self'; frame-src 'self' blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
)
"""The content security policy of every answer."""

HEADERS: Final = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}

MOST_BYTES: Final = 1 << 30
"""A request longer than this is refused before it is read: captures and videos are smaller."""

_SAFE: Final = frozenset({"GET", "HEAD"})
_ELSEWHERE: Final = "This workbench answers only at the address that it printed."
_NO_COOKIE: Final = (
    "This page belongs to another run of the workbench. Open the address that `fringewise workbench` printed."
)
_FOREIGN: Final = "This request comes from another page; nothing was done."
_TOO_LONG: Final = "This is far too large for a capture, photo or video; nothing was kept."


@dataclass(frozen=True, slots=True)
class Keys:
    """What opens the door in this run of the server.

    Attributes
    ----------
    origins : frozenset of str
        Such as ``http://127.0.0.1:8757``; their hosts are the hosts that are answered to.
    token : str
        Stands in the printed address.
    secret : str
        Value of the cookie.
    cookie : str
        Name of the cookie; the port is in it, so that two servers of one machine keep apart.
    """

    origins: frozenset[str]
    cookie: str = "fringewise"
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    secret: str = field(default_factory=lambda: secrets.token_urlsafe(32))

    @classmethod
    def of_port(cls, port: int) -> Keys:
        """Make new keys for a server on this machine's own address."""
        return cls(frozenset({f"http://127.0.0.1:{port}", f"http://localhost:{port}"}), f"fringewise-{port}")

    @property
    def hosts(self) -> frozenset[str]:
        """Hosts that are answered to."""
        return frozenset(origin.split("://", 1)[1] for origin in self.origins)

    def fits(self, token: str) -> bool:
        """Whether a token is that of this run."""
        return hmac.compare_digest(token.encode(), self.token.encode())


class Door:
    """Middleware round the whole service; refuses before anything else is looked at."""

    def __init__(self, app: ASGIApp, keys: Keys, most_bytes: int = MOST_BYTES) -> None:
        self.app, self.keys, self.most_bytes = app, keys, most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer why not."""
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        token = self._token(scope)
        refused = self._refused(scope, headers, admitted=token)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    own[name] = value
                if "cache-control" not in own:
                    own["cache-control"] = "no-store"
                if token:
                    own.append("set-cookie", self._cookie())
            await send(message)

        if refused is not None:
            await refused(scope, receive, with_headers)
            return
        await self.app(scope, _counted(receive, self.most_bytes), with_headers)

    def _token(self, scope: Scope) -> bool:
        """Whether the front page is asked for with the right token."""
        if scope["path"] != "/" or scope["method"] not in _SAFE:
            return False
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        return self.keys.fits(given)

    def _cookie(self) -> str:
        secure = "; Secure" if all(one.startswith("https:") for one in self.keys.origins) else ""
        return f"{self.keys.cookie}={self.keys.secret}; Path=/; HttpOnly; SameSite=Strict{secure}"

    def _refused(self, scope: Scope, headers: Headers, *, admitted: bool) -> Response | None:
        if headers.get("host", "").lower() not in self.keys.hosts:
            return _said(scope, 421, _ELSEWHERE)
        if self._foreign(scope, headers, admitted=admitted):
            return _said(scope, 403, _FOREIGN)
        if not admitted and not self._has_cookie(headers):
            return _said(scope, 401, _NO_COOKIE)
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()) or int(length) > self.most_bytes:
            return _said(scope, 413, _TOO_LONG)
        return None

    def _foreign(self, scope: Scope, headers: Headers, *, admitted: bool) -> bool:
        """Whether another page asks; what changes something must say where it comes from."""
        origin = headers.get("origin")
        if origin is None:
            crossing = headers.get("sec-fetch-site") in {"cross-site", "same-site"}
            return scope["method"] not in _SAFE or (crossing and not admitted)
        return origin not in self.keys.origins

    def _has_cookie(self, headers: Headers) -> bool:
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        found = jar.get(self.keys.cookie)
        return found is not None and hmac.compare_digest(found.value.encode(), self.keys.secret.encode())


class TooLong(Exception):
    """More came in than a request may hold."""


def _counted(receive: Receive, most: int) -> Receive:
    """Count what comes in, for requests that don't say how long they are."""
    got = 0

    async def inner() -> Message:
        nonlocal got
        message = await receive()
        got += len(message.get("body", b""))
        if got > most:
            raise TooLong(_TOO_LONG)
        return message

    return inner


def _said(scope: Scope, status: int, words: str) -> Response:
    """Answer with words: as JSON where the service was asked, else as plain text."""
    if scope["path"].startswith("/api/"):
        text = json.dumps({"words": [words]})
        return Response(text, status, media_type="application/json")
    return PlainTextResponse(words + "\n", status)
