"""A person's keys: Ed25519 under records, ECDSA P-256 with a certificate under PDF files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509 import Certificate

from fringewise.record.signatures import signed_message


@dataclass(frozen=True, slots=True)
class PersonKey:
    """The private keys of one person, unlocked.

    Attributes
    ----------
    record_key : Ed25519PrivateKey
        Signs records.
    pdf_key : EllipticCurvePrivateKey
        Signs PDF files: other readers refuse Ed25519 there.
    certificate : Certificate
        Made by the person for `pdf_key`; who is trusted is what the archive's people say.
    """

    record_key: Ed25519PrivateKey
    pdf_key: EllipticCurvePrivateKey
    certificate: Certificate

    @property
    def public_key(self) -> str:
        """The public key for records, hexadecimal, as the person's entry has it."""
        return self.record_key.public_key().public_bytes_raw().hex()

    @property
    def certificate_pem(self) -> str:
        """The certificate as text, as the person's entry has it."""
        return self.certificate.public_bytes(Encoding.PEM).decode()

    def sign(self, inspection: str, body: Mapping[str, Any]) -> str:
        """Sign what a signature's entry says; gives the signature, hexadecimal."""
        return self.record_key.sign(signed_message(inspection, body)).hex()
