"""Limits books for tests, as TOML or as JSON."""

from __future__ import annotations

import tomllib

from fringewise.core.documents import to_json
from fringewise.verdict.book import LimitsBook
from fringewise.verdict.book_reading import parse_limits

HEAD = """
format = "fringewise.limits/1"
title = "Invented limits for tests"
source = "Invented manual, revision 1"
entered_by = "technician A"
checked_by = "reviewer B"
"""


def json_of(text: str) -> str:
    """Write a book in TOML as JSON."""
    return to_json(tomllib.loads(text)).decode()


def book_of(entries: str, head: str = HEAD) -> LimitsBook:
    """Read a book from its entries in TOML."""
    return parse_limits((head + entries).encode())
