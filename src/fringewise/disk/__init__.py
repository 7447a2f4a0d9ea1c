"""Files and folders: written whole or not at all, kept inside their folder, hashed as streams."""

from fringewise.disk.hashes import sha256_of_file, sha256_of_lines
from fringewise.disk.paths import bytes_of, file_inside
from fringewise.disk.writing import settle, whole_file, whole_folder, write_bytes

__all__ = [
    "bytes_of",
    "file_inside",
    "settle",
    "sha256_of_file",
    "sha256_of_lines",
    "whole_file",
    "whole_folder",
    "write_bytes",
]
