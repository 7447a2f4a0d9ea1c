"""A capture's manifest: the hash and path of every file in it; the manifest's own hash is the capture's."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

_LINE: Final = re.compile(r"([0-9a-f]{64})  (.+)")


def manifest_text(hashes: Mapping[str, str]) -> str:
    r"""Write a manifest (format 1): sorted lines of hash, two spaces, path.

    Parameters
    ----------
    hashes : mapping of str to str
        SHA-256 by path inside the capture's folder.

    Examples
    --------
    >>> manifest_text({"capture.json": "a" * 64}) == "a" * 64 + "  capture.json\n"
    True
    """
    return "".join(f"{line}\n" for line in sorted(f"{digest}  {path}" for path, digest in hashes.items()))


def manifest_files(text: str) -> dict[str, str]:
    """Read a manifest back: SHA-256 by path.

    Raises
    ------
    ValueError
        A line is not a hash and a path.
    """
    found: dict[str, str] = {}
    for line in text.splitlines():
        match = _LINE.fullmatch(line)
        if match is None:
            raise ValueError(f"a manifest's line must be a hash and a path (found {line[:80]!r})")
        found[match[2]] = match[1]
    return found
