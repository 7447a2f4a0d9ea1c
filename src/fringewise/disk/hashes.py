"""SHA-256 of files as streams and of lists of files."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from fringewise.record.manifest import manifest_text


def sha256_of_file(path: Path) -> str:
    """Hash a file of any size without holding it in memory; OSError where it can't be read."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sha256_of_lines(hashes: Mapping[str, str]) -> str:
    r"""Hash a set of files by the sorted lines ``<sha256 of the file>␠␠<path>``, each ended by ``\n``.

    Parameters
    ----------
    hashes : mapping of path to SHA-256
        Paths as the document writes them.

    Examples
    --------
    >>> lines = b"00  b.txt\n11  a.txt\n"
    >>> sha256_of_lines({"a.txt": "11", "b.txt": "00"}) == hashlib.sha256(lines).hexdigest()
    True
    """
    return hashlib.sha256(manifest_text(hashes).encode()).hexdigest()
