"""Signing a report's PDF (PAdES B-B) with a person's certificate, and checking it by the shop's people."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from asn1crypto import keys as asn1_keys
from asn1crypto import x509 as asn1_x509
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509 import load_pem_x509_certificate
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.misc import PdfError
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.fields import SigSeedSubFilter
from pyhanko.sign.general import SigningError
from pyhanko.sign.signers import PdfSignatureMetadata, SimpleSigner, sign_pdf
from pyhanko.sign.validation import EmbeddedPdfSignature, validate_pdf_signature
from pyhanko.sign.validation.errors import SignatureValidationError
from pyhanko_certvalidator import ValidationContext
from pyhanko_certvalidator.registry import SimpleCertificateStore

from fringewise.core.errors import refuse
from fringewise.record.keys import PersonKey

FIELD: Final = "Signature"
"""Name of the signature's field in the PDF."""

SIGNERS_WORD: Final = "The time of signing is the signer's word: there is no time stamp from elsewhere."


@dataclass(frozen=True, slots=True)
class PdfCheck:
    """What a signature in a PDF is worth.

    Attributes
    ----------
    signed : bool
        Whether there is a signature at all.
    intact : bool
        Whether the signed bytes are as they were.
    whole : bool
        Whether it covers the whole file.
    signer : str
        The person whose certificate it is, as the archive knows them; empty where it is nobody's.
    stated_name : str
        What the certificate says of itself, which anybody can write.
    stated_at : datetime, optional
        When it was signed by the signer's word.
    """

    signed: bool
    intact: bool = False
    whole: bool = False
    signer: str = ""
    stated_name: str = ""
    stated_at: datetime | None = None

    @property
    def good(self) -> bool:
        """Whether it is whole, unchanged, and signed by somebody whom the shop trusts."""
        return self.signed and self.intact and self.whole and bool(self.signer)


def sign_report(pdf: bytes, key: PersonKey, *, name: str, reason: str) -> bytes:
    """Sign a PDF with a person's certificate (ECDSA P-256, SHA-256, PAdES B-B); the file is only added to.

    Parameters
    ----------
    pdf : bytes
    key : PersonKey
    name : str
        The person.
    reason : str
        Such as "inspection W-2041, record 3f2a…".

    Raises
    ------
    InputRefused
        It is no PDF that can be signed, or it is signed already.
    """
    details = PdfSignatureMetadata(
        field_name=FIELD,
        subfilter=SigSeedSubFilter.PADES,
        md_algorithm="sha256",
        name=name,
        reason=reason,
    )
    try:
        writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
        if writer.prev.embedded_signatures:
            raise refuse("PDF", "", "must not be signed already: make the report anew")
        made = sign_pdf(writer, details, signer=_signer(key), timestamper=None)
    except (PdfError, SigningError, ValueError) as error:
        raise refuse("PDF", "", f"must be a PDF file that can be signed: {error}") from error
    return bytes(made.getvalue())


def check_report(pdf: bytes, trusted: Mapping[str, Iterable[str]]) -> PdfCheck:
    """Check the signature in a PDF.

    Parameters
    ----------
    pdf : bytes
    trusted : mapping of str to iterable of str
        The certificates (PEM) of each person, by name: those that the archive has or had.

    Raises
    ------
    InputRefused
        It is no PDF file.
    """
    try:
        signatures = PdfFileReader(io.BytesIO(pdf), strict=False).embedded_signatures
    except (PdfError, ValueError, RecursionError) as error:
        raise refuse("PDF", "", f"must be a PDF file: {error}") from error
    if not signatures:
        return PdfCheck(signed=False)
    try:
        return _checked(signatures[-1], trusted)
    except (SignatureValidationError, PdfError, ValueError, TypeError, KeyError, AttributeError):
        return PdfCheck(signed=True)  # what was signed with can't even be read: it was changed


def _checked(signature: EmbeddedPdfSignature, trusted: Mapping[str, Iterable[str]]) -> PdfCheck:
    certificate = signature.signer_cert
    stated = str(certificate.subject.human_friendly).removeprefix("Common Name: ")
    context = ValidationContext(trust_roots=[certificate], allow_fetching=False)
    status: Any = validate_pdf_signature(signature, context)
    whole = status.coverage is not None and status.coverage.name == "ENTIRE_FILE"
    intact = bool(status.intact and status.valid)
    owner = _owner(certificate.dump(), trusted)
    return PdfCheck(True, intact, whole, owner, stated, signature.self_reported_timestamp)


def _owner(certificate: bytes, trusted: Mapping[str, Iterable[str]]) -> str:
    for name, certificates in trusted.items():
        for text in certificates:
            if load_pem_x509_certificate(text.encode()).public_bytes(Encoding.DER) == certificate:
                return name
    return ""


def _signer(key: PersonKey) -> SimpleSigner:
    secret = key.pdf_key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
    certificate = asn1_x509.Certificate.load(key.certificate.public_bytes(Encoding.DER))
    return SimpleSigner(
        signing_cert=certificate,
        signing_key=asn1_keys.PrivateKeyInfo.load(secret),
        cert_registry=SimpleCertificateStore.from_certs([certificate]),  # type: ignore[no-untyped-call]
    )
