"""What some tests need and a machine may lack: skipped with a reason, or failed where it must be there."""

from __future__ import annotations

import os
from typing import Final, NoReturn

import pytest

KNOWN: Final = frozenset({"browser", "postgres", "shared"})
"""What ``FRINGEWISE_REQUIRE`` (a comma list) may name."""


def require(what: str, reason: str) -> NoReturn:
    """Skip the test for want of `what`; fail it instead where ``FRINGEWISE_REQUIRE`` names `what`."""
    if what not in KNOWN:
        raise ValueError(f"{what} is none of {', '.join(sorted(KNOWN))}")
    if what in required():
        pytest.fail(f"FRINGEWISE_REQUIRE asks for {what}: {reason}", pytrace=False)
    pytest.skip(reason)


def required() -> frozenset[str]:
    """Give what must be there on this machine; an unknown word is an error, so that a slip can't hide."""
    named = os.environ.get("FRINGEWISE_REQUIRE", "")
    words = frozenset(word.strip() for word in named.split(",") if word.strip())
    if words - KNOWN:
        raise ValueError(f"FRINGEWISE_REQUIRE names {', '.join(sorted(words - KNOWN))}, which nothing needs")
    return words
