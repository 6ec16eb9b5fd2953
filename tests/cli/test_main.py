"""The group: help, version, one-line errors, and nothing heavy before it is needed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import densitycam
from densitycam.cli import main as main_module
from densitycam.cli.main import COMMANDS, FILES, main, missing_system_package
from densitycam.cli.options import ABOVE_ZERO, SHARE
from densitycam.errors import DensitycamError

ROOT = Path(__file__).resolve().parents[2]


def command_of(name: str) -> click.Command:
    found = main.get_command(click.Context(main), name)
    assert found is not None
    return found


def test_the_version_is_the_packages():
    result = CliRunner().invoke(main, ["--version"], prog_name="densitycam")
    assert result.output == f"densitycam {densitycam.__version__}\n"


def test_help_lists_every_command_with_a_line():
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    listed = result.output.split("Commands:\n")[1]
    assert [line.split()[0] for line in listed.splitlines() if line.strip()] == list(COMMANDS)
    for name in COMMANDS:
        assert command_of(name).get_short_help_str(60).endswith("."), name


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself_and_its_options(name: str):
    result = CliRunner().invoke(main, [name, "--help"])
    assert result.exit_code == 0
    command = command_of(name)
    assert command.help
    options = [p for p in command.params if isinstance(p, click.Option)]
    assert [p.name for p in options if not p.help] == []


def test_every_command_file_is_in_the_list():
    folder = ROOT / "densitycam" / "cli"
    helpers = {
        "__init__",
        "count_photo",
        "count_walk",
        "json_fields",
        "main",
        "options",
        "reference",
    }
    assert {p.stem for p in folder.glob("*.py")} - helpers == {FILES.get(n, n) for n in COMMANDS}


def test_help_loads_neither_a_heavy_library_nor_the_database():
    script = (
        "import sys\nfrom densitycam.cli.main import main\n"
        "try: main(['--help'], prog_name='densitycam')\nexcept SystemExit: pass\n"
        "print(*sorted(sys.modules), file=sys.stderr)"
    )
    run = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    loaded = {name.split(".")[0] for name in run.stderr.split()}
    assert "click" in loaded
    heavy = {"numpy", "cv2", "PIL", "matplotlib", "scipy", "sklearn", "skimage", "gsw", "sqlite3"}
    assert loaded & heavy == set()


def test_a_wrong_command_brings_near_matches():
    result = CliRunner().invoke(main, ["calibrat"])
    assert result.exit_code == 2
    assert "There is no command 'calibrat'. Did you mean calibrate" in result.output
    assert "Traceback" not in result.output


def _with_failing_command(monkeypatch: pytest.MonkeyPatch, error: Exception):
    @click.command()
    def stumble() -> None:
        raise error

    monkeypatch.setattr(main_module.Commands, "get_command", lambda *_: stumble)
    return CliRunner().invoke(main, ["card"])


def test_a_users_error_is_one_line_and_exit_code_1(monkeypatch: pytest.MonkeyPatch):
    error = DensitycamError("The jar\nis broken.", "Sweep up.")
    result = _with_failing_command(monkeypatch, error)
    assert result.exit_code == 1
    assert result.output == "Error: The jar is broken. Sweep up.\n"


@pytest.mark.parametrize(
    ("message", "package"),
    [
        # The texts are those of the dynamic loader, ld.so(8); the packages those that hold the
        # libraries in Debian 12 (packages.debian.org, from memory).
        ("libGL.so.1: cannot open shared object file: No such file or directory", "libgl1"),
        (
            "libgthread-2.0.so.0: cannot open shared object file: No such file or directory",
            "libglib2.0-0",
        ),
    ],
)
def test_a_missing_system_library_names_its_package(
    monkeypatch: pytest.MonkeyPatch, message: str, package: str
):
    assert missing_system_package(message) == package
    result = _with_failing_command(monkeypatch, ImportError(message))
    assert result.exit_code == 1
    assert result.output.count("\n") == 1
    assert f"apt-get install {package}\n" in result.output


def test_another_import_error_is_a_fault_of_ours_and_shows_itself(monkeypatch):
    result = _with_failing_command(monkeypatch, ImportError("no module named sprocket"))
    assert isinstance(result.exception, ImportError)


@pytest.mark.parametrize(("value", "colour"), [("1", False), ("", None)])
def test_no_color_is_heeded(monkeypatch: pytest.MonkeyPatch, value: str, colour: bool | None):
    seen = []

    @click.command()
    @click.pass_context
    def look(ctx: click.Context) -> None:
        seen.append(ctx.color)

    monkeypatch.setenv("NO_COLOR", value)
    monkeypatch.setattr(main_module.Commands, "get_command", lambda *_: look)
    CliRunner().invoke(main, ["card"])
    assert seen == [colour]


def test_the_public_face_is_imported_on_first_use():
    script = (
        "import sys, densitycam\nassert 'densitycam.calibration' not in sys.modules\n"
        "assert set(densitycam.__all__) <= set(dir(densitycam))\n"
        "print(densitycam.read_photo.__name__, densitycam.calibrate.__name__,"
        " densitycam.estimate.__name__, densitycam.advise.__name__)"
    )
    run = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert run.stdout.split() == ["read_photo", "fit_calibration", "estimate", "decide"], run.stderr
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        _ = densitycam.guess


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("nan", "must be above 0"),
        ("inf", "must be at most 1000000000, not inf"),
        ("-1", "must be above 0"),
        ("0", "must be above 0"),
        ("2,5", "write the decimal point as ."),
        ("wide", "'wide' is not a number"),
    ],
)
def test_a_quantity_is_a_finite_number_inside_its_limits(text: str, rule: str):
    with pytest.raises(click.BadParameter) as caught:
        ABOVE_ZERO.convert(text, None, None)
    assert rule in caught.value.message
    assert ABOVE_ZERO.convert("2.5", None, None) == 2.5
    assert SHARE.convert("0", None, None) == 0


@pytest.mark.parametrize("name", COMMANDS)
def test_help_fits_a_terminal_of_80_columns(name: str):
    result = CliRunner().invoke(main, [name, "--help"], prog_name="densitycam")
    assert [line for line in result.output.splitlines() if len(line) > 80] == []
    command = main.get_command(click.Context(main), name)
    for below in getattr(command, "commands", {}):
        text = CliRunner().invoke(main, [name, below, "--help"], prog_name="densitycam").output
        assert [line for line in text.splitlines() if len(line) > 80] == [], below
