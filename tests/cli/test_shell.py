"""The command line among other programs: exit codes, pipes, completion, a disk that is full."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from densitycam.report.guide import topic_markdown

BIN = Path(sys.executable).parent


def shell(line: str, tmp_path: Path, *, program: str = "bash", **more: str):
    """Run a line in a shell that finds densitycam by its name."""
    if shutil.which(program) is None:
        pytest.skip(f"{program} is not installed")
    env = {**os.environ, "DENSITYCAM_JOURNAL": str(tmp_path / "journal.sqlite"), **more}
    env["PATH"] = f"{BIN}{os.pathsep}{env['PATH']}"
    return subprocess.run(
        [program, "-c", line], cwd=tmp_path, env=env, capture_output=True, text=True
    )


@pytest.mark.parametrize("words", ["help commands", "help json", "card --json", "--help", "vessel"])
def test_a_reader_that_stops_early_is_no_error_that_is_spoken_of(words, tmp_path):
    """Nothing is read at all, so that even a short text meets a closed pipe."""
    done = shell(f"densitycam {words} | true; echo ${{PIPESTATUS[0]}}", tmp_path)
    assert done.stderr == ""
    assert done.stdout.strip() in ("0", "1")


def test_a_full_disk_is_told_in_a_line(tmp_path):
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    done = shell("densitycam help > /dev/full", tmp_path)
    assert done.returncode == 1
    assert done.stderr.startswith("Error: There is no room left")
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("today", 0),
        ("--version", 0),
        ("snap none.jpg --species tetraselmis --path-mm 82", 1),
        ("split --vessel nobody --kept-ml 100", 1),
        ("help nothing", 1),
        ("", 2),
        ("snpa", 2),
        ("snap", 2),
        ("feed --tank-l -1 --target 5e4 --cells-per-ml 1e6", 2),
        ("today --when yesterday", 2),
    ],
)
def test_the_exit_codes_are_those_of_the_guide(words, code, tmp_path):
    documented = re.findall(r"^\| (\d) \|", topic_markdown("shell"), re.MULTILINE)
    assert documented == ["0", "1", "2"]
    done = shell(f"densitycam {words}", tmp_path)
    assert done.returncode == code, done.stderr
    assert ("Error: " in done.stderr) == (code == 1 or (code == 2 and words != ""))
    assert "Traceback" not in done.stderr
    if code == 1:
        assert done.stdout == ""
        assert len(done.stderr.splitlines()) == 1


def test_nothing_but_errors_goes_to_standard_error(tmp_path):
    done = shell("densitycam --version; densitycam help; densitycam today --json", tmp_path)
    assert done.stderr == ""
    assert re.match(r"densitycam \d+\.\d+\.\d+\n", done.stdout)


def completion_line(name: str) -> str:
    """Return the line that the guide says to add to a shell's file."""
    (line,) = re.findall(rf"^.*_COMPLETE={name}_source.*$", topic_markdown("shell"), re.MULTILINE)
    return line


@pytest.mark.parametrize(
    ("words", "offered"),
    [("densitycam sna", "snap"), ("densitycam help met", "method"), ("densitycam log und", "undo")],
)
def test_bash_completes_after_the_guides_line(words, offered, tmp_path):
    count = len(words.split())
    done = shell(
        f"{completion_line('bash')}\n"
        f"COMP_WORDS=({words}); COMP_CWORD={count - 1}\n"
        '_densitycam_completion densitycam; echo "${COMPREPLY[@]}"',
        tmp_path,
    )
    assert done.stdout.split() == [offered], done.stderr


@pytest.mark.parametrize("name", ["zsh", "fish"])
def test_the_line_for_another_shell_defines_a_completion(name, tmp_path):
    done = shell(f"{completion_line(name)}\necho defined", tmp_path, program=name)
    assert done.stdout.strip().endswith("defined")
    assert "rror" not in done.stderr


@pytest.mark.parametrize("name", ["bash", "zsh", "fish"])
def test_click_gives_what_each_line_asks_for(name, tmp_path):
    variable = re.search(r"_DENSITYCAM_COMPLETE=\w+", completion_line(name))[0]
    assert variable == f"_DENSITYCAM_COMPLETE={name}_source"
    done = shell(f"{variable} densitycam", tmp_path)
    assert "_densitycam_completion" in done.stdout
