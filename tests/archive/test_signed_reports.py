"""The signature in a report's PDF: made by a person's certificate, checked by the archive's people."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pytest
from matplotlib.figure import Figure

from fringewise.core.errors import InputRefused
from fringewise.files.keys import new_key
from fringewise.render.pdf_signature import check_report, sign_report

NOW = datetime.now(UTC)
KEY = new_key("reviewer B", NOW)
OTHER = new_key("reviewer B", NOW)
PEOPLE = {"B": [OTHER.certificate_pem, KEY.certificate_pem]}
SEED = 20260314


@pytest.fixture(scope="module")
def pdf() -> bytes:
    """A PDF of one page."""
    figure = Figure(figsize=(2, 2))
    figure.text(0.1, 0.5, "a report")
    out = io.BytesIO()
    figure.savefig(out, format="pdf")
    return out.getvalue()


@pytest.fixture(scope="module")
def signed(pdf: bytes) -> bytes:
    return sign_report(pdf, KEY, name="reviewer B", reason="inspection W-2041")


def test_a_signed_report_is_known_to_be_whole_and_by_whom(pdf: bytes, signed: bytes) -> None:
    assert signed.startswith(pdf)  # the file is only added to
    found = check_report(signed, PEOPLE)
    assert found.good
    assert (found.signer, found.stated_name) == ("B", "reviewer B")
    assert found.stated_at is not None
    assert abs((found.stated_at - NOW).total_seconds()) < 600


def test_the_signature_is_of_the_profile_that_other_readers_take(signed: bytes) -> None:
    assert b"/SubFilter /ETSI.CAdES.detached" in signed


def test_who_is_not_among_the_people_is_not_trusted_whatever_the_certificate_says(signed: bytes) -> None:
    found = check_report(signed, {"B": [OTHER.certificate_pem]})
    assert found.intact
    assert not found.good
    assert (found.signer, found.stated_name) == ("", "reviewer B")


def test_an_unsigned_report_is_said_to_be_unsigned(pdf: bytes) -> None:
    assert not check_report(pdf, PEOPLE).signed


def test_no_flipped_byte_passes(signed: bytes) -> None:
    """All bytes but those of the signature itself are signed; its padding may change and says nothing."""
    first = signed.index(b"/Contents <") + len(b"/Contents <")
    last = signed.index(b">", first)
    rng = np.random.default_rng(SEED)
    for place in rng.integers(0, len(signed) - (last - first), 80):
        at = int(place) if place < first else int(place) + last - first
        changed = bytearray(signed)
        changed[at] ^= 1 << int(rng.integers(8))
        try:
            assert not check_report(bytes(changed), PEOPLE).good, at
        except InputRefused:
            continue


def test_what_is_added_after_the_signature_is_said(signed: bytes) -> None:
    found = check_report(signed + b"\n% more\n", PEOPLE)
    assert not found.whole
    assert not found.good


def test_a_report_is_signed_once_and_only_a_pdf(signed: bytes) -> None:
    with pytest.raises(InputRefused, match="must not be signed already"):
        sign_report(signed, KEY, name="B", reason="")
    with pytest.raises(InputRefused, match="must be a PDF file"):
        sign_report(b"nothing", KEY, name="B", reason="")
    with pytest.raises(InputRefused, match="must be a PDF file"):
        check_report(b"nothing", PEOPLE)
