"""A person's keys in a file: encrypted with a passphrase, written once, never replaced."""

from __future__ import annotations

import datetime as dt
import os
import re
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import NameOID

from fringewise.core.errors import PlaceUnusable, refuse
from fringewise.disk import bytes_of, write_bytes
from fringewise.record.keys import PersonKey

SHORTEST_PASSPHRASE: Final = 8
_MOST_BYTES: Final = 1 << 16
_BLOCK: Final = re.compile(rb"-----BEGIN ([A-Z0-9 ]+)-----.*?-----END \1-----\n?", re.DOTALL)
_VALID: Final = dt.timedelta(days=3653)
_LONGEST_NAME: Final = 64


def new_key(name: str, now: dt.datetime) -> PersonKey:
    """Make new keys for a person, and a certificate by themselves for ten years.

    Parameters
    ----------
    name : str
        As the certificate states it, cut to 64 letters.
    now : datetime
    """
    pdf_key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name[:_LONGEST_NAME])])
    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=True, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(pdf_key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(minutes=5))
        .not_valid_after(now + _VALID)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(pdf_key.public_key()), critical=False)
        .sign(pdf_key, hashes.SHA256())
    )
    return PersonKey(ed25519.Ed25519PrivateKey.generate(), pdf_key, certificate)


def write_key(key: PersonKey, path: Path, passphrase: str) -> None:
    """Write keys into a new file, encrypted with a passphrase, readable by its owner alone.

    Raises
    ------
    InputRefused
        The passphrase is too short.
    PlaceUnusable
        The file is there already, or can't be written.
    """
    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise refuse("passphrase", "", f"must have {SHORTEST_PASSPHRASE} letters or more")
    if path.exists():
        raise PlaceUnusable(f"{path} is there already and is not replaced: a lost key can't be had again")
    lock = BestAvailableEncryption(passphrase.encode())
    blocks = [
        one.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, lock) for one in (key.record_key, key.pdf_key)
    ]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PlaceUnusable(f"{path.parent} can't be made: {error.strerror or error}") from error
    write_bytes(path, b"".join([*blocks, key.certificate.public_bytes(Encoding.PEM)]))
    try:
        path.chmod(0o600)  # Windows keeps the folder's own rights; the passphrase protects the content
    except OSError as error:
        raise PlaceUnusable(f"{path} can't be kept from others: {error.strerror or error}") from error


def read_key(path: str | os.PathLike[str], passphrase: str) -> PersonKey:
    """Read and unlock keys.

    Raises
    ------
    InputRefused
        The file holds no keys of a person, or the passphrase is another.
    """
    text = bytes_of(Path(path), _MOST_BYTES)
    blocks = [found[0] for found in _BLOCK.finditer(text)]
    rule = "must be a person's keys, as fringewise person new-key writes them"
    if len(blocks) != 3:
        raise refuse(str(path), "", rule)
    try:
        first, second = (load_pem_private_key(one, passphrase.encode()) for one in blocks[:2])
        certificate = x509.load_pem_x509_certificate(blocks[2])
    except ValueError as error:
        raise refuse(str(path), "", "the passphrase must be the one that it was made with") from error
    except TypeError as error:
        raise refuse(str(path), "", rule) from error
    if not isinstance(first, ed25519.Ed25519PrivateKey) or not isinstance(second, ec.EllipticCurvePrivateKey):
        raise refuse(str(path), "", rule)
    return PersonKey(first, second, certificate)
