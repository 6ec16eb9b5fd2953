"""Strangers are kept out: no secret, no cookie, another name, no token."""

from __future__ import annotations

import re
import socket
import stat
import sys

import pytest
from web_server import Visitor, make_place, serving

from densitycam.errors import DensitycamError
from densitycam.journal.store import Journal
from densitycam.web.app import create_app
from densitycam.web.guard import is_let_in
from densitycam.web.keys import keys_path, page_keys

#: Pages that tell something, and what changes something: none may answer a stranger.
PAGES = ["/", "/start", "/snap", "/vessel?vessel=slim", "/bottles", "/more", "/style.css",
         "/static/page.js", "/photo/tile?number=1", "/card.pdf", "/nowhere", "/enter/",
         "/enter/x/../../"]  # fmt: skip


@pytest.mark.parametrize("path", PAGES)
def test_without_the_secret_nothing_is_told(lan_page, path):
    answer = lan_page.visitor().get(path)
    assert answer.status == 403
    assert "Scan the code" in answer.text
    assert "slim" not in answer.text
    assert "<a" not in answer.text
    assert "Set-Cookie" not in answer.headers


def guesses(secret: str) -> list[str]:
    return ["x", "a" * 22, secret[:-1], secret + "A", secret.swapcase(), "%00", "%F0%9F%90%9F"]


def test_a_wrong_secret_lets_nobody_in(lan_page):
    visitor = lan_page.visitor()
    for guess in guesses(lan_page.place.secret):
        answer = visitor.get(f"/enter/{guess}")
        assert answer.status == 403
        assert "Scan the code" in answer.text
    assert visitor.cookies == {}
    assert visitor.get("/").status == 403


def test_the_secret_lets_in_once_and_for_all(lan_page):
    visitor = lan_page.visitor()
    entered = visitor.get(f"/enter/{lan_page.place.secret}")
    assert (entered.status, entered.headers["Location"]) == (303, "/")
    cookie = entered.headers["Set-Cookie"]
    # RFC 6265, 4.1.2, and its revision for SameSite.
    assert "; HttpOnly" in cookie
    assert "; SameSite=Lax" in cookie
    assert "; Path=/" in cookie
    assert "; Expires=" in cookie
    assert lan_page.place.secret not in cookie
    assert "slim" in visitor.get("/").text


def test_a_cookie_that_was_tampered_with_lets_nobody_in(lan_page):
    guest = lan_page.guest()
    (name, value), *_ = guest.cookies.items()
    payload, stamp, signature = value.rsplit(".", 2)
    for forged in (
        f"{payload}.{stamp}.{signature[::-1]}",
        f"{payload}x.{stamp}.{signature}",
        "eyJsZXRfaW4iOnRydWV9",
        f"eyJsZXRfaW4iOnRydWV9.{stamp}.{signature}",
        "",
    ):
        stranger = Visitor(lan_page.port, cookies={name: forged})
        assert stranger.get("/").status == 403
    assert guest.get("/").status == 200


def test_a_cookie_of_a_visit_without_secret_lets_nobody_in(journal_path):
    with serving(make_place(journal_path)) as page:
        local = page.visitor()
        local.token("/snap")
        assert local.cookies
    with serving(make_place(journal_path, lan=True)) as page:
        stranger = Visitor(page.port, cookies=local.cookies)
        assert stranger.get("/").status == 403
        # Nor is its body taken, before there is a page to refuse it.
        app = create_app(page.place)
        said = "; ".join(f"{k}={v}" for k, v in local.cookies.items())
        assert not is_let_in(app, page.place, said)
        said = "; ".join(f"{k}={v}" for k, v in page.guest().cookies.items())
        assert is_let_in(app, page.place, said)


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "localhost.evil.example",
     "evil.example#127.0.0.1", "127.0.0.1@evil.example", "localhost.", "", " ", "[::1]",
     "192.168.7.7", "127.0.0.1:99999999"],
)  # fmt: skip
@pytest.mark.parametrize("lan", [False, True])
def test_a_name_that_is_not_ours_is_not_answered(journal_path, host, lan):
    # A page elsewhere whose name is made to lead here (DNS rebinding) brings its own name along.
    with serving(make_place(journal_path, lan=lan)) as page:
        guest = page.guest()
        guest.host = host
        for answer in (guest.get("/"), guest.get(f"/enter/{page.place.secret or 'x'}")):
            assert answer.status in (400, 403)
            assert "slim" not in answer.text
            assert "Set-Cookie" not in answer.headers
        for ours in ("127.0.0.1", f"localhost:{page.port}", "LOCALHOST"):
            guest.host = ours
            assert guest.get("/").status == 200


def test_a_request_without_a_name_is_not_answered(page):
    with socket.create_connection(("127.0.0.1", page.port), timeout=10) as raw:
        raw.sendall(b"GET / HTTP/1.0\r\n\r\n")
        said = raw.makefile("rb").read()
    assert said.split()[1] == b"403"
    assert b"slim" not in said


CHANGES = [
    ("/vessel/new", {"name": "new", "species": "isochrysis", "volume_ml": "500", "path_mm": "60",
                     "shape": "cylinder"}),
    ("/note", {"vessel": "slim", "text": "hello"}),
    ("/split", {"vessel": "slim", "kept_ml": "100"}),
    ("/snap", {"vessel": "slim"}),
]  # fmt: skip


@pytest.mark.parametrize(("path", "fields"), CHANGES)
def test_what_changes_something_needs_the_token_of_this_visit(page, path, fields):
    visitor, other = page.visitor(), page.visitor()
    own, others = visitor.token("/snap"), other.token("/snap")
    for token in (None, "", "x", own[:-1], own.upper(), others):
        answer = visitor.post(path, fields, token=token)
        if answer.status == 404:
            pytest.skip(f"there is no page {path}")
        assert answer.status == 400
        assert "Open its page anew" in answer.text
    with Journal(page.place.journal_path) as journal:
        assert [v.name for v in journal.vessels()] == ["slim"]
        assert journal.splits("slim") == ()
    assert not page.place.photos_folder.exists()


def test_with_its_token_a_change_is_made(page):
    visitor = page.visitor()
    path, fields = CHANGES[0]
    answer = visitor.post(path, fields, token=visitor.token("/vessel/new"))
    assert answer.status == 303
    with Journal(page.place.journal_path) as journal:
        assert "new" in [v.name for v in journal.vessels()]


def test_every_changing_address_is_guarded(page):
    # Looped over, so that a page added later is tested on arrival.
    rules = [r for r in create_app(page.place).url_map.iter_rules() if "POST" in r.methods]
    assert len(rules) >= 5
    visitor = page.visitor()
    visitor.token("/snap")
    for rule in rules:
        assert rule.arguments == set(), "give the test an address for it"
        answer = visitor.post(rule.rule, {"vessel": "slim", "number": "1"}, token="wrong")
        assert answer.status == 400
        assert "Open its page anew" in answer.text


@pytest.mark.parametrize("path", ["/", "/snap", "/nowhere", "/static/page.js", "/photo?number=9"])
def test_every_answer_tells_the_browser_what_it_may_do(lan_page, path):
    for visitor in (lan_page.guest(), lan_page.visitor()):
        said = visitor.get(path).headers
        policy = {w.split()[0]: w.split()[1:] for w in said["Content-Security-Policy"].split(";")}
        # Content Security Policy Level 3; nothing inline, nothing from elsewhere.
        assert policy["default-src"] == ["'none'"]
        assert policy["base-uri"] == policy["frame-ancestors"] == ["'none'"]
        for kind in ("img-src", "style-src", "script-src", "form-action"):
            assert policy[kind] == ["'self'"]
        assert said["Referrer-Policy"] == "no-referrer"
        assert said["X-Content-Type-Options"] == "nosniff"
        assert said["Cross-Origin-Opener-Policy"] == "same-origin"
        assert said["Cross-Origin-Resource-Policy"] == "same-origin"
        assert "geolocation=()" in said["Permissions-Policy"]
        assert said["Cache-Control"] in ("no-store", "no-cache")
        assert "Server" not in said


def test_pages_are_not_stored_by_the_browser(page):
    for path in ("/", "/snap", "/vessel?vessel=slim", "/nowhere"):
        assert page.visitor().get(path).headers["Cache-Control"] == "no-store"


def test_a_restart_keeps_phones_let_in_and_a_new_secret_shuts_them_out(journal_path):
    with serving(make_place(journal_path, lan=True)) as page:
        phone, first = page.guest(), page.place.secret
    with serving(make_place(journal_path, lan=True)) as page:
        phone.port = page.port
        assert page.place.secret == first
        assert phone.get("/").status == 200
    page_keys(keys_path(journal_path), new=True)
    with serving(make_place(journal_path, lan=True)) as page:
        phone.port = page.port
        assert phone.get("/").status == 403
        assert phone.get(f"/enter/{first}").status == 403
        assert page.guest().get("/").status == 200


# The keys' file ---------------------------------------------------------------------------------


def test_the_keys_are_long_random_and_their_owners_alone(tmp_path):
    path = keys_path(tmp_path / "deep" / "journal.sqlite")
    keys = page_keys(path)
    assert path.name == "journal.page-keys.json"
    assert page_keys(path) == keys
    # RFC 4648, 5: six bits a character, so that 22 hold 128.
    assert re.fullmatch(r"[A-Za-z0-9_-]{22}", keys.secret)
    assert len(keys.signing_key) >= 43
    assert keys.secret not in repr(keys)
    if sys.platform != "win32":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    made = {page_keys(path, new=True).secret for _ in range(20)}
    assert len(made | {keys.secret}) == 21


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "{}", "null", '{"secret": "x", "signing_key": "y"}',
     '{"secret": "", "signing_key": ""}', '{"secret": "' + 22 * "/" + '", "signing_key": "x"}',
     "\xff\xfe"],
)  # fmt: skip
def test_keys_that_cannot_be_used_are_named_and_new_ones_help(tmp_path, text):
    path = tmp_path / "journal.page-keys.json"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(DensitycamError, match=r"cannot be used.*--new-secret"):
        page_keys(path)
    assert path.read_bytes() == text.encode("latin-1")
    assert page_keys(path, new=True) == page_keys(path)
