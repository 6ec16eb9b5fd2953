"""Requests that are too large, too slow, too many or malformed cost nobody else anything."""

from __future__ import annotations

import select
import socket
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest
from web_server import multipart

from densitycam.errors import DensitycamError
from densitycam.journal.store import Journal
from densitycam.web import server
from densitycam.web.guard import LARGEST_BODY

UPLOAD = "multipart/form-data; boundary=x"


def connect(page) -> socket.socket:
    return socket.create_connection(("127.0.0.1", page.port), timeout=30)


def head(page, *lines: str, path: str = "/snap", method: str = "POST", cookies=()) -> bytes:
    said = [f"{method} {path} HTTP/1.1", f"Host: 127.0.0.1:{page.port}", *lines]
    said += [f"Cookie: {'; '.join(f'{k}={v}' for k, v in cookies)}"] if cookies else []
    return "\r\n".join((*said, "", "")).encode()


def answer(raw: socket.socket) -> bytes:
    """Read to the end of the connection; a reset after the answer is an end too."""
    read = b""
    try:
        while more := raw.recv(65_536):
            read += more
    except ConnectionResetError:
        pass
    return read


def status(said: bytes) -> int:
    assert said.startswith(b"HTTP/1."), said[:100]
    return int(said.split()[1])


def send_until_answered(raw: socket.socket, piece: bytes, most: int) -> tuple[int, bytes]:
    """Send like a browser that looks up now and then; how much was sent, and the answer."""
    sent = 0
    while sent < most:
        if select.select([raw], [], [], 0)[0]:
            break
        try:
            raw.sendall(piece)
        except (BrokenPipeError, ConnectionResetError):
            break
        sent += len(piece)
    return sent, answer(raw)


def cut_off_within(seconds: float, raw: socket.socket, piece: bytes) -> bool:
    """Send on and on; whether the other side closes."""
    begun = time.monotonic()
    try:
        while time.monotonic() < begun + seconds:
            raw.sendall(piece)
            time.sleep(0.02)
    except (BrokenPipeError, ConnectionResetError):
        return True
    return False


def alive(page) -> None:
    assert page.visitor().get("/snap").status == 200


# Too large --------------------------------------------------------------------------------------


@pytest.mark.parametrize("expect", [False, True])
def test_a_gigabyte_is_refused_by_its_announcement(page, expect):
    with connect(page) as raw:
        lines = ["Content-Length: 1000000000", f"Content-Type: {UPLOAD}"]
        raw.sendall(head(page, *lines, *(["Expect: 100-continue"] if expect else [])))
        said = answer_of_one(raw)  # nothing of the body was sent, and none was waited for
    assert status(said) == 413
    assert b"at most 40 MB" in said
    assert b"Content-Security-Policy" in said
    alive(page)


def answer_of_one(raw: socket.socket) -> bytes:
    """Read one answer of a server that leaves the connection half open."""
    raw.settimeout(5)
    return answer(raw)


def rss_mb() -> float:
    said = Path("/proc/self/status").read_text()
    return next(int(x.split()[1]) / 1024 for x in said.splitlines() if x.startswith("VmRSS"))


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="memory is looked up in /proc")
@pytest.mark.parametrize("how", ["Content-Length: 1000000000", "Transfer-Encoding: chunked"])
def test_who_sends_a_gigabyte_all_the_same_is_answered_and_nothing_of_it_kept(page, how):
    before, piece = rss_mb(), bytes(1_000_000)
    if "chunked" in how:
        piece = b"f4240\r\n" + piece + b"\r\n"
    with connect(page) as raw:
        raw.sendall(head(page, how, f"Content-Type: {UPLOAD}"))
        sent, said = send_until_answered(raw, piece, most=1_000_000_000)
    assert sent < 50_000_000  # the answer was there long before
    assert status(said) == (411 if "chunked" in how else 413)
    assert rss_mb() < before + 40
    assert not page.place.photos_folder.exists()
    alive(page)


def test_who_goes_on_sending_after_a_refusal_is_cut_off(page, monkeypatch):
    monkeypatch.setattr(server, "LINGER_S", 0.5)
    with connect(page) as raw:
        raw.sendall(head(page, "Content-Length: 1000000000"))
        assert cut_off_within(20, raw, bytes(1000))
    alive(page)


def test_the_largest_photo_just_fits_and_one_more_byte_does_not(page):
    visitor = page.visitor()
    token = visitor.token("/snap")
    small, _ = multipart_of(token, b"")
    fits = bytes(LARGEST_BODY - len(small) - 1)
    for photo, expected in ((fits, 400), (fits + b"\0", 413)):  # 400: it is no photo
        body, kind = multipart_of(token, photo)
        assert visitor.ask("POST", "/snap", body, {"Content-Type": kind}).status == expected


def multipart_of(token: str, photo: bytes) -> tuple[bytes, str]:
    return multipart({"vessel": "slim", "csrf_token": token}, photo, "a.jpg")


def test_a_field_as_large_as_a_photo_is_refused(page):
    visitor = page.visitor()
    token = visitor.token("/snap")
    fields = {"vessel": "slim", "text": "x" * 3_000_000}
    answer = visitor.post("/note", fields, token=token)
    assert answer.status in (400, 413)  # its token is among what is not read
    many = {"vessel": "slim", "text": "x", **{f"f{n}": "x" for n in range(5000)}}
    body, kind = multipart({**many, "csrf_token": token}, b"", "a.jpg")
    assert visitor.ask("POST", "/note", body, {"Content-Type": kind}).status == 413
    with Journal(page.place.journal_path) as journal:
        assert journal.log(vessel="slim") == ()
    alive(page)


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (["Content-Length: -1"], 400),
        (["Content-Length: 1e3"], 400),
        (["Content-Length: 5", "Content-Length: 6"], 400),
        ([f"Content-Length: {10**40}"], 413),
        (["Transfer-Encoding: chunked", "Content-Length: 5"], 411),
        (["Transfer-Encoding: gzip, chunked"], 501),
        ([f"X-Long: {'x' * 40_000}"], 431),
        (["No colon"], 400),
    ],
)
def test_a_malformed_request_is_refused(page, lines, expected):
    with connect(page) as raw:
        raw.sendall(head(page, *lines))
        assert status(answer_of_one(raw)) == expected
    alive(page)


def test_nothing_of_a_strangers_body_is_waited_for(lan_page):
    lines = ["Content-Length: 1000000", f"Content-Type: {UPLOAD}"]
    for cookies in ((), (("densitycam", "eyJsZXRfaW4iOnRydWV9.aaaaaa.bbbb"),)):
        with connect(lan_page) as raw:
            raw.sendall(head(lan_page, *lines, cookies=cookies))
            said = answer_of_one(raw)
        assert status(said) == 403
        assert b"Scan the code" in said
    guest = lan_page.guest()
    with connect(lan_page) as raw:
        raw.sendall(head(lan_page, *lines, cookies=guest.cookies.items()))
        assert select.select([raw], [], [], 0.5)[0] == []  # it waits for the guest's


def test_no_room_for_what_comes_costs_that_connection_alone(page, monkeypatch):
    import errno

    from waitress import buffers

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(buffers.TempfileBasedBuffer, "newfile", full)
    with connect(page) as raw:
        raw.sendall(head(page, "Content-Length: 3000000", f"Content-Type: {UPLOAD}"))
        assert cut_off_within(20, raw, bytes(100_000))
    alive(page)


# Too slow ---------------------------------------------------------------------------------------


def test_those_that_send_a_byte_a_second_hold_no_thread(page):
    visitor = page.visitor()
    visitor.token("/snap")
    stop = threading.Event()
    with ExitStack() as stack:
        slow = [stack.enter_context(connect(page)) for _ in range(server.THREADS + 8)]
        for n, raw in enumerate(slow):
            whole = head(page, "Content-Length: 4000000", cookies=visitor.cookies.items())
            raw.sendall(whole if n % 2 else whole[:20])  # half of them are slow in the body

        def trickle() -> None:
            while not stop.wait(1.0):
                for raw in slow:
                    raw.sendall(b"x")

        sender = threading.Thread(target=trickle)
        sender.start()
        try:
            begun = time.monotonic()
            while time.monotonic() < begun + 4:
                assert page.visitor().get("/snap").status == 200
        finally:
            stop.set()
            sender.join()
        assert select.select(slow, [], [], 0)[0] == []  # all of them are still being waited for


@pytest.mark.parametrize("part", ["headers", "body"])
def test_who_is_too_slow_is_given_up(page, monkeypatch, part):
    monkeypatch.setattr(server, "HEADERS_S", 0.5 if part == "headers" else 60.0)
    monkeypatch.setattr(server, "WHOLE_S", 0.5 if part == "body" else 60.0)
    whole = head(page, "Content-Length: 4000000")
    with connect(page) as raw:
        raw.sendall(whole if part == "body" else whole[:20])
        assert cut_off_within(10, raw, b"x")
    alive(page)


# Too many ---------------------------------------------------------------------------------------


def test_two_hundred_at_once_are_all_answered(page):
    paths = ["/", "/snap", "/vessel?vessel=slim", "/static/page.js"]
    together = threading.Barrier(200)

    def ask(n: int) -> int:
        visitor = page.visitor()
        together.wait()
        return visitor.get(paths[n % len(paths)]).status

    with ThreadPoolExecutor(200) as pool:
        assert list(pool.map(ask, range(200))) == [200] * 200


def test_two_phones_and_the_command_line_at_once_lose_nothing(page):
    phones = [page.visitor() for _ in range(2)]
    tokens = [phone.token("/snap") for phone in phones]
    begin = "from densitycam.cli.main import main; main(prog_name='densitycam')"

    def by_phone(n: int) -> bool:
        fields = {"vessel": "slim", "text": f"phone {n}"}
        return phones[n % 2].post("/note", fields, token=tokens[n % 2]).status == 303

    def by_command(n: int) -> bool:
        words = ["--journal", str(page.place.journal_path), "log", "note", f"command {n}",
                 "--vessel", "slim"]  # fmt: skip
        run = subprocess.run([sys.executable, "-c", begin, *words], capture_output=True)
        assert run.returncode == 0, run.stderr
        return True

    with ThreadPoolExecutor(10) as pool:
        asked = [pool.submit(by_phone, n) for n in range(40)]
        asked += [pool.submit(by_command, n) for n in range(4)]
        assert all(job.result() for job in asked)
    with Journal(page.place.journal_path) as journal:
        kept = sorted(entry.text for entry in journal.log(vessel="slim"))
    assert kept == sorted([f"phone {n}" for n in range(40)] + [f"command {n}" for n in range(4)])


# Where it listens -------------------------------------------------------------------------------


def test_a_port_that_is_taken_is_named(page):
    from densitycam.web.app import create_app

    app = create_app(page.place)
    with pytest.raises(DensitycamError, match=rf"Port {page.port} is taken.*--port"):
        server.listen(app, page.place, ["127.0.0.1"], page.port)


def test_only_the_addresses_given_are_listened_on(page):
    # 127.0.0.2 is this computer too (RFC 1122, 3.2.1.3), and was not given.
    with socket.socket() as other:
        other.settimeout(5)
        assert other.connect_ex(("127.0.0.2", page.port)) != 0


def test_addresses_at_home_are_found_without_sending(monkeypatch):
    # RFC 1918 ranges and one of the internet; loopback is no network.
    answers = iter(["203.0.114.5", "192.168.1.23", "10.1.2.3", "192.168.1.23"])

    class Socket:
        def __init__(self, *_): ...
        def __enter__(self):
            return self

        def __exit__(self, *_): ...
        def connect(self, there):
            assert there[1] == 9

        def getsockname(self):
            return next(answers), 4000

    monkeypatch.setattr(server.socket, "socket", Socket)
    found = [(socket.AF_INET, 1, 6, "", (a, 0)) for a in ("127.0.1.1", "172.20.0.9")]
    monkeypatch.setattr(server.socket, "getaddrinfo", lambda *_: found)
    assert server.lan_addresses() == ("192.168.1.23", "10.1.2.3", "172.20.0.9")
