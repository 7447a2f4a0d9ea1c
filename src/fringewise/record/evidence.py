"""Which files an entry names, so that none of them can go missing unnoticed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from fringewise.record.chain import Entry


def named_objects(entry: Entry) -> Iterator[str]:
    """Give the hashes of the files that an entry rests on."""
    if entry.kind == "look":
        for one in entry.body.get("evidence") or ():
            yield str(one["sha256"])
    if entry.kind in {"findings", "results", "limits", "intake", "second reading"}:
        yield str(entry.body["sha256"])
    if entry.kind == "inspection" and isinstance(entry.body, Mapping):
        limits = entry.body.get("limits_sha256")
        if limits:
            yield str(limits)
