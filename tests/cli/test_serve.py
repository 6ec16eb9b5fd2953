"""`densitycam serve`: what it says, to whom it opens, and how it ends; in a process of its own."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from densitycam.cli import serve
from densitycam.web import server

BEGIN = "from densitycam.cli.main import main; main(prog_name='densitycam')"

lan = pytest.mark.skipif(not server.lan_addresses(), reason="this computer is on no network")


@contextmanager
def started(journal: Path, *words: str) -> Iterator[tuple[subprocess.Popen, str]]:
    """Start the command; it and what it said until it was ready."""
    env = {**os.environ, "PYTHONIOENCODING": "utf-8"}
    process = subprocess.Popen(
        [sys.executable, "-c", BEGIN, "--journal", str(journal), "serve", "--port", "0", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=env,
        encoding="utf-8",
    )
    try:
        said = ""
        while "End with Ctrl-C." not in said:
            line = process.stdout.readline()
            assert line, process.stderr.read()
            said += line
        yield process, said
    finally:
        process.kill()
        process.communicate()


def address_in(said: str) -> str:
    return re.search(r"http://[^\s/]+(?:/enter/[\w-]+)?", said)[0]


def status(address: str) -> int:
    try:
        with urllib.request.urlopen(address, timeout=30) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        return error.code


@pytest.mark.parametrize("how", ["SIGTERM", "SIGINT"])
def test_it_serves_this_computer_until_it_is_told_to_end(tmp_path, how):
    with started(tmp_path / "new" / "journal.sqlite") as (process, said):
        address = address_in(said)
        assert address.startswith("http://127.0.0.1:")
        assert "this computer alone" in said
        assert "--lan" in said
        assert str(tmp_path / "new" / "photos") in said
        assert status(address) == 200
        assert all(len(line) <= 80 for line in said.splitlines() if str(tmp_path) not in line)
        process.send_signal(getattr(signal, how))
        out, err = process.communicate(timeout=30)
    assert (process.returncode, out.strip(), err) == (0, "Ended.", "")
    assert status_or_none(address) is None


def status_or_none(address: str) -> int | None:
    try:
        return status(address)
    except OSError:
        return None


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="processes are looked up in /proc")
def test_no_process_of_it_stays_behind(tmp_path):
    # A photo that never was: the tile's reader is started all the same by an upload.
    with started(tmp_path / "journal.sqlite") as (process, said):
        from web_server import Visitor

        from densitycam.journal.store import Journal
        from densitycam.vessel.record import VesselRecord

        with Journal(tmp_path / "journal.sqlite") as journal:
            journal.add_vessel(VesselRecord("slim", "nannochloropsis", 500.0, 20.0, "flat"))
        visitor = Visitor(int(address_in(said).rsplit(":", 1)[1]))
        assert visitor.snap("slim", b"\xff\xd8\xff" + bytes(1000)).status in (303, 400)
        workers = [p for p in Path("/proc").glob("[0-9]*") if parent(p) == process.pid]
        assert workers
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=30)
        deadline = time.monotonic() + 10
        while any(w.exists() for w in workers) and time.monotonic() < deadline:
            time.sleep(0.02)
        assert not any(w.exists() for w in workers)


def parent(entry: Path) -> int | None:
    try:
        return int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
    except OSError:
        return None


@lan
def test_by_lan_only_the_secret_lets_in_and_a_new_one_shuts_out(tmp_path):
    journal = tmp_path / "journal.sqlite"
    secrets = []
    for words in ((), (), ("--new-secret",)):
        with started(journal, "--lan", *words) as (_, said):
            entrance = address_in(said)
            outside, _, secret = entrance.partition("/enter/")
            assert len(secret) >= 22
            assert status(outside) == 403
            assert status(f"{outside}/enter/{'x' * 22}") == 403
            # Without a cookie jar the page after the entrance does not know its visitor.
            assert opened_with_cookies(entrance) == 200
            for old in set(secrets) - {secret}:
                assert status(f"{outside}/enter/{old}") == 403
            secrets.append(secret)
            assert "not encrypted" in said
            assert all(len(line) <= 80 for line in said.splitlines() if str(tmp_path) not in line)
    assert secrets[0] == secrets[1] != secrets[2]


def opened_with_cookies(address: str) -> int:
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    with browser.open(address, timeout=30) as answer:
        return answer.status


def test_a_taken_port_is_an_error_in_one_line(tmp_path):
    with started(tmp_path / "journal.sqlite") as (_, said):
        port = address_in(said).rsplit(":", 1)[1]
        words = ["--journal", str(tmp_path / "other.sqlite"), "serve", "--port", port]
        again = subprocess.run(
            [sys.executable, "-c", BEGIN, *words], capture_output=True, text=True, timeout=60
        )
    assert again.returncode == 1
    assert again.stderr.startswith(f"Error: Port {port} is taken")
    assert len(again.stderr.splitlines()) == 1


def test_without_a_network_lan_says_what_to_do(run, monkeypatch):
    monkeypatch.setattr(server, "lan_addresses", lambda: ())
    assert "no address on a home network" in run("serve", "--lan", exit_code=1).output


def test_a_journal_that_cannot_be_used_is_said_before_anything_listens(run, tmp_path):
    (tmp_path / "journal.sqlite").write_bytes(b"no journal at all, but a text" * 40)
    assert "is not a journal" in run("serve", exit_code=1).output
    assert not (tmp_path / "journal.page-keys.json").exists()


def drawn(lines: list[str]) -> np.ndarray:
    """Return a picture of what the terminal shows: two rows of modules a line, white on black."""
    halves = {"█": (1, 1), "▀": (1, 0), "▄": (0, 1), " ": (0, 0)}
    rows = [[halves[c][half] for c in line] for line in lines for half in (0, 1)]
    return np.kron(np.array(rows, np.uint8) * 255, np.ones((8, 8), np.uint8))


@pytest.mark.parametrize("address", ["http://10.0.0.7:8372", "http://192.168.178.123:65535"])
def test_the_code_in_the_terminal_is_read_as_the_address(address):
    import cv2

    whole = f"{address}/enter/{'aZ-_9' * 4}xy"
    lines = serve.code_lines(whole)
    assert max(len(line) for line in lines) <= 60
    # OpenCV's reader, which is not the library that drew it.
    said, _, _ = cv2.QRCodeDetector().detectAndDecode(drawn(lines))
    assert said == whole


def test_a_terminal_without_blocks_gets_the_address_alone(monkeypatch):
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="ascii"))
    assert serve.code_lines("http://10.0.0.7:8372/enter/x") == []
