"""Signatures under a record: what is signed, and whether a signature holds (Ed25519, RFC 8032)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from fringewise.record.chain import Entry, canonical, record_hash

_SIGNED: Final = ("record_sha256", "signer", "incomplete", "statement")
_PURPOSE: Final = "fringewise.signature/1"


def signed_message(inspection: str, body: Mapping[str, Any]) -> bytes:
    """Give the bytes that a reviewer signs: the record's hash, and what is said with it.

    Examples
    --------
    >>> signed_message("W-1", {"record_sha256": "ab", "signer": "B", "incomplete": False})
    b'{"incomplete":false,"inspection":"W-1","purpose":"fringewise.signature/1","record_sha256":"ab","signer":"B"}'
    """
    stated = {name: body[name] for name in _SIGNED if body.get(name) is not None}
    return canonical({"purpose": _PURPOSE, "inspection": inspection, **stated}).encode()


def signature_holds(inspection: str, body: Mapping[str, Any]) -> bool:
    """Whether the signature in a signature's entry is made over what it says with the key that it names."""
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(str(body["public_key"])))
        key.verify(bytes.fromhex(str(body["signature"])), signed_message(inspection, body))
    except (InvalidSignature, ValueError, KeyError):
        return False
    return True


def signature_faults(entries: Sequence[Entry], people: Sequence[Entry]) -> Iterator[str]:
    """Say what is wrong with the signatures of an inspection.

    Parameters
    ----------
    entries : sequence of Entry
        All of the inspection, in order.
    people : sequence of Entry
        The archive's entries about people, in order: a key counts as it stood when it was used.
    """
    for at, entry in enumerate(entries):
        if entry.kind != "signature":
            continue
        name = f"the signature of entry {entry.sequence}"
        if entry.body.get("record_sha256") != record_hash(entries[:at]):
            yield f"{name} covers another record than the entries before it"
        if not signature_holds(entry.inspection, entry.body):
            yield f"{name} does not hold"
        if entry.body.get("public_key") not in _keys_of(str(entry.body.get("signer")), entry, people):
            yield f"{name} is not made with the key that the archive had for {entry.body.get('signer')}"


def _keys_of(signer: str, signature: Entry, people: Sequence[Entry]) -> set[object]:
    stood = [one for one in people if one.subject == signer and one.sequence < signature.sequence]
    return {stood[-1].body.get("public_key")} if stood else set()
