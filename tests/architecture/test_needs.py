"""A skip for want of something turns into a failure where that thing must be there."""

from __future__ import annotations

import pytest
from needs import require, required


def test_what_is_absent_is_skipped_with_its_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FRINGEWISE_REQUIRE", raising=False)
    with pytest.raises(pytest.skip.Exception, match="no folder of captures"):
        require("shared", "no folder of captures")


def test_what_is_required_and_absent_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FRINGEWISE_REQUIRE", "browser, shared")
    with pytest.raises(pytest.fail.Exception, match="no folder of captures"):
        require("shared", "no folder of captures")


def test_only_what_is_named_is_required(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FRINGEWISE_REQUIRE", "browser")
    with pytest.raises(pytest.skip.Exception):
        require("shared", "no folder of captures")


def test_a_slip_in_the_list_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FRINGEWISE_REQUIRE", "shraed")
    with pytest.raises(ValueError, match="shraed"):
        required()


def test_a_slip_in_a_test_is_an_error() -> None:
    with pytest.raises(ValueError, match="shraed"):
        require("shraed", "no folder of captures")
