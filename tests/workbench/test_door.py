"""Who gets in, and what every answer forbids a page to do."""

from __future__ import annotations

import json

import pytest
from workbench_served import Served

from fringewise.workbench.door import POLICY


def test_the_printed_address_gives_a_strict_cookie(empty: Served) -> None:
    status, headers, _ = empty.raw("GET", f"/?token={empty.keys.token}", {})
    cookie = headers["set-cookie"]
    assert status in {200, 503}  # 503: the pages are not built in this checkout
    assert cookie.startswith(f"{empty.keys.cookie}={empty.keys.secret};")
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


@pytest.mark.parametrize("path", ["/", "/?token=", "/?token=wrong", "/api/bench", "/mark.svg"])
def test_nobody_gets_in_without_token_or_cookie(empty: Served, path: str) -> None:
    status, headers, _ = empty.raw("GET", path, {})
    assert status == 401
    assert "set-cookie" not in headers


def test_a_cookie_of_another_run_is_refused(empty: Served) -> None:
    status, _, content = empty.raw("GET", "/api/bench", {"cookie": f"{empty.keys.cookie}=of-yesterday"})
    assert status == 401
    assert "another run" in json.loads(content)["words"][0]


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example"])
def test_a_foreign_host_is_refused(empty: Served, host: str) -> None:
    assert empty.raw("GET", "/api/bench", empty.headers(host=host))[0] == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", ""])
def test_a_foreign_origin_is_refused(empty: Served, origin: str) -> None:
    for method in ("GET", "POST"):
        assert empty.raw(method, "/api/bench", empty.headers(origin=origin))[0] == 403


def test_a_change_without_an_origin_is_refused(empty: Served) -> None:
    headers = {"cookie": f"{empty.keys.cookie}={empty.keys.secret}"}
    assert empty.raw("POST", "/api/demo", headers)[0] == 403
    assert not empty.bench.has_archive


def test_another_site_cannot_embed_an_answer(empty: Served) -> None:
    headers = {"cookie": f"{empty.keys.cookie}={empty.keys.secret}", "sec-fetch-site": "cross-site"}
    assert empty.raw("GET", "/api/bench", headers)[0] == 403


@pytest.mark.parametrize(
    "path",
    ["/../pyproject.toml", "/assets/../../__init__.py", "/%2e%2e/door.py", "/.source", "//etc/passwd"],
)
def test_no_path_leads_out_of_the_pages(empty: Served, path: str) -> None:
    assert empty.raw("GET", path, empty.headers())[0] == 404


def test_far_too_much_is_refused_before_it_is_read(empty: Served) -> None:
    assert empty.raw("POST", "/api/demo", empty.headers(**{"content-length": str(1 << 40)}))[0] == 413
    assert empty.raw("POST", "/api/demo", empty.headers(**{"content-length": "many"}))[0] in {400, 413}


@pytest.mark.parametrize("path", ["/", "/api/bench", "/nothing", "/api/nothing"])
def test_every_answer_carries_the_policy(empty: Served, path: str) -> None:
    _, headers, _ = empty.raw("GET", path, empty.headers())
    assert headers["content-security-policy"] == POLICY
    assert headers["x-content-type-options"] == "nosniff"
    assert "unsafe" not in POLICY
    assert "default-src 'none'" in POLICY


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'{"card": 1}', b'{"order": "x"}', b"\xff\xfe"])
def test_malformed_input_is_refused_in_words(empty: Served, body: bytes) -> None:
    headers = empty.headers(**{"content-type": "application/json"})
    status, _, content = empty.raw("POST", "/api/inspections", headers, body)
    assert status == 422
    assert json.loads(content)["words"]
    assert not empty.bench.has_archive


def test_asking_makes_no_archive(empty: Served) -> None:
    assert empty.get("/api/bench")["has_archive"] is False
    assert empty.get("/api/inspections") == []
    assert empty.raw("GET", "/api/inspections/W-1", empty.headers())[0] == 503
    assert not empty.bench.has_archive
