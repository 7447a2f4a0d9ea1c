"""The API as a service: errors become words."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from typing import Any, Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.responses import Response

from fringewise import __version__
from fringewise.core.errors import (
    ChangedMeanwhile,
    FringewiseError,
    InputRefused,
    NotAllowed,
    NotMeasurable,
    PlaceUnusable,
)
from fringewise.workbench.api import ROUTER
from fringewise.workbench.bench import Bench
from fringewise.workbench.door import TooLong

_STATUS: Final = (
    (ChangedMeanwhile, 409),
    (NotAllowed, 403),
    (InputRefused, 422),
    (NotMeasurable, 422),
    (PlaceUnusable, 503),
)
_FAULT: Final = "This is a fault of the program, not of what you did. Nothing was written; look again."

_LOG: Final = logging.getLogger("fringewise.workbench")


def make_api(bench: Bench) -> FastAPI:
    """Make the API of a bench."""
    app = FastAPI(
        title="Fringewise workbench", version=__version__, openapi_url="/api/openapi.json",
        docs_url=None, redoc_url=None, redirect_slashes=False,
    )  # fmt: skip
    app.state.bench = bench
    app.include_router(ROUTER)
    app.middleware("http")(_told)
    app.exception_handler(RequestValidationError)(_malformed)
    app.exception_handler(HTTPException)(_nothing)
    return app


async def _told(request: Request, call: Callable[[Request], Awaitable[Response]]) -> Response:
    """Turn errors into words."""
    try:
        return await call(request)
    except TooLong as error:
        return _words(413, str(error))
    except FringewiseError as error:
        status = next(code for kind, code in (*_STATUS, (FringewiseError, 422)) if isinstance(error, kind))
        return _words(status, *str(error).splitlines())
    except Exception:  # noqa: BLE001 - this is where every error ends; it is logged
        _LOG.exception("%s %s", request.method, request.url.path)
        return _words(500, _FAULT)


def _malformed(request: Request, error: Exception) -> Response:  # noqa: ARG001 - the framework's signature
    assert isinstance(error, RequestValidationError)
    lines = [f"{'.'.join(str(part) for part in one['loc'][1:])}: {one['msg']}" for one in error.errors()[:20]]
    return _words(422, *lines)


def _nothing(request: Request, error: Exception) -> Response:  # noqa: ARG001 - likewise
    assert isinstance(error, HTTPException)
    return _words(error.status_code, "There is nothing of that name here.")


def _words(status: int, *words: str) -> JSONResponse:
    said: dict[str, Any] = {"words": list(words)}
    return JSONResponse(said, status)
