"""The architecture as a test: which floor may import which, and what stays out of start-up."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from importlib.metadata import requires
from pathlib import Path

import pytest

from densitycam.flags import FLAGS

if sys.version_info >= (3, 11):
    import tomllib
else:  # pytest itself brings tomli on Python 3.10
    import tomli as tomllib

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "densitycam"

#: From the ground up: a floor may import those before it and itself, none after it.
FLOORS = (
    "card",
    "photo",
    "vessel",
    "counting",
    "calibration",
    "culture",
    "journal",
    "report",
    "web",
    "cli",
)
#: Single files at the top of the package on which every floor may stand.
GROUND = ("atomic_file", "csv_text", "errors", "flags", "json_text", "student_t", "wording")
#: Single files that stand above all floors but the command line, which uses them.
FACE = ("__init__",)
#: Starts the command line with `python -m densitycam`.
ROOF = ("__main__",)
#: Beside the house: the demo's optics, which share nothing with the estimator but the card.
ANNEXES = {"simulate": ("card",)}
#: What must not be loaded before a command asks for it, so that `--help` is instant.
HEAVY = (
    "PIL",
    "cv2",
    "flask",
    "gsw",
    "matplotlib",
    "numpy",
    "pillow_heif",
    "scipy",
    "skimage",
    "sklearn",
)
#: Import name of each requirement whose import name is not its own.
IMPORT_NAMES = {
    "markdown-it-py": "markdown_it",
    "flask-wtf": "flask_wtf",
    "opencv-python": "cv2",
    "pillow": "PIL",
    "pillow-heif": "pillow_heif",
    "scikit-image": "skimage",
    "scikit-learn": "sklearn",
}
#: What we import that a requirement always brings along, so that it need not be named again.
BRINGS_ALONG = {"scikit-learn": ("scipy",), "flask": ("itsdangerous", "markupsafe", "werkzeug")}

FILES = sorted(PACKAGE.rglob("*.py"))
NAMES = [str(f.relative_to(ROOT)) for f in FILES]


def room_of(file: Path) -> str:
    """Return the floor, annex or single file at the package's top that a file belongs to."""
    return file.relative_to(PACKAGE).with_suffix("").parts[0]


def imports_of(file: Path) -> set[str]:
    """Return the dotted names that a file imports, those inside its functions too."""
    package = ("densitycam", *file.relative_to(PACKAGE).parent.parts)
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join((*base, *([node.module] if node.module else [])))
            # `from densitycam import card` names a room in its second half.
            found |= {f"{module}.{alias.name}" for alias in node.names}
    return found


def rooms_imported_by(file: Path) -> set[str]:
    """Return the rooms of the house that a file imports from; the face is "__init__"."""
    rooms = set()
    for name in imports_of(file):
        parts = name.split(".")
        # The version number belongs to no floor: a file may be stamped with it anywhere.
        if parts[0] != "densitycam" or name == "densitycam.__version__":
            continue
        room = parts[1] if len(parts) > 1 else "__init__"
        is_room = (PACKAGE / room).is_dir() or (PACKAGE / f"{room}.py").is_file()
        rooms.add(room if is_room else "__init__")
    return rooms - {room_of(file)}


def rooms_allowed_to(room: str) -> set[str]:
    """Return the rooms that one room may import from."""
    if room in GROUND:
        return set(GROUND)
    if room in ANNEXES:
        return {*GROUND, *ANNEXES[room]}
    if room in FACE:
        return {*GROUND, *FACE, *FLOORS} - {"cli"}
    if room in ROOF:
        return {"cli"}
    below = FLOORS[: FLOORS.index(room)]
    # The demo's command is the one place where the house opens the annex.
    return {*GROUND, *below, *((*FACE, *ANNEXES) if room == "cli" else ())}


def test_the_package_was_found():
    assert len(FILES) > 20


def test_every_room_has_a_place_in_the_plan():
    rooms = {room_of(file) for file in FILES}
    assert rooms - {*FLOORS, *GROUND, *FACE, *ROOF, *ANNEXES} == set()


@pytest.mark.parametrize("file", FILES, ids=NAMES)
def test_a_floor_imports_only_from_floors_below_it(file):
    assert rooms_imported_by(file) - rooms_allowed_to(room_of(file)) == set()


def test_nothing_of_the_estimator_imports_the_simulator():
    guests = {room_of(file) for file in FILES if "simulate" in rooms_imported_by(file)}
    assert guests - {"cli"} == set()


@pytest.mark.parametrize("file", FILES, ids=NAMES)
def test_a_file_says_first_what_it_is_for(file):
    text = file.read_text(encoding="utf-8")
    assert text.startswith('"""')
    docstring = ast.get_docstring(ast.parse(text))
    assert len(docstring.splitlines()[0]) > 15


def test_no_module_is_a_drawer_for_odds_and_ends():
    odd = {"utils", "util", "helpers", "misc", "common"}
    assert [name for name, file in zip(NAMES, FILES, strict=True) if file.stem in odd] == []


def test_every_library_used_is_a_declared_dependency():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.match(r"[\w-]+", entry).group() for entry in project["dependencies"]}
    libraries = {IMPORT_NAMES.get(name, name) for name in declared}
    for name in declared & set(BRINGS_ALONG):
        for brought in BRINGS_ALONG[name]:
            assert any(re.match(rf"{brought}\b", entry, re.I) for entry in requires(name))
            libraries.add(brought)
    used = {name.split(".")[0] for file in FILES for name in imports_of(file)}
    assert used - set(sys.stdlib_module_names) - {"densitycam"} - libraries == set()


def test_starting_the_command_line_loads_no_heavy_library():
    script = "import sys, densitycam.cli.main; print(*sorted(sys.modules))"
    run = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    loaded = {name.split(".")[0] for name in run.stdout.split()}
    assert "click" in loaded
    assert loaded & set(HEAVY) == set()


def test_every_gate_and_sign_of_the_registry_is_raised_somewhere():
    # A gate that nothing raises promises the user a check that is not made.
    code = "\n".join(
        file.read_text(encoding="utf-8")
        for floor in ("photo", "vessel", "counting", "calibration")
        for file in sorted((PACKAGE / floor).rglob("*.py"))
    )
    unraised = [flag for flag in FLAGS if f'"{flag}"' not in code]
    assert unraised == []


#: Marks of functions that users read as help (commands) and of those nobody calls by name.
NOT_CALLED = {"command", "group", "route", "get", "post", "setter"}


def marks_of(node: ast.FunctionDef) -> set[str]:
    """Return the last names of a function's decorators."""
    return {ast.unparse(mark).split("(")[0].split(".")[-1] for mark in node.decorator_list}


def public_definitions(file: Path) -> dict[str, ast.FunctionDef | ast.ClassDef]:
    """Return by dotted name the classes of a file and the functions that others may call."""
    found = {}

    def walk(nodes, prefix):
        for node in nodes:
            if getattr(node, "name", "_").startswith("_"):
                continue
            if isinstance(node, ast.ClassDef):
                found[prefix + node.name] = node
                walk(node.body, f"{prefix}{node.name}.")
            elif isinstance(node, ast.FunctionDef) and not marks_of(node) & NOT_CALLED:
                found[prefix + node.name] = node

    walk(ast.parse(file.read_text(encoding="utf-8")).body, "")
    return found


def unsaid(node: ast.FunctionDef | ast.ClassDef) -> list[str]:
    """Return what a docstring ought to say and does not: parameters, "Returns", "Raises"."""
    docstring = ast.get_docstring(node) or ""
    parts = re.split(r"^(\w[\w ]*)\n-+$", docstring, flags=re.M)  # numpydoc's sections
    sections = dict(zip(parts[1::2], parts[2::2], strict=True))
    told = re.findall(r"^\S.*", sections.get("Parameters", ""), re.M)
    told = {word for line in told for word in re.findall(r"\w+", line.split(" : ")[0])}
    if isinstance(node, ast.ClassDef):
        if "metadata" in docstring:  # there the fields tell all of themselves
            return []
        fields = [field.target.id for field in node.body if isinstance(field, ast.AnnAssign)]
        return [name for name in fields if name not in told and not name.startswith("_")]

    own = node.args
    taken = [*own.posonlyargs, *own.args, *own.kwonlyargs, own.vararg, own.kwarg]
    taken = [arg for arg in taken if arg is not None and arg.arg not in ("self", "cls")]
    missing = [arg.arg for arg in taken if arg.arg not in told]

    # "Return ..." says enough of what comes out where neither a number nor an array goes in.
    forms = [ast.unparse(arg.annotation) for arg in taken if arg.annotation]
    measured = any(form == "float" or re.search("[aA]rray|Image|Spectrum", form) for form in forms)
    first = docstring.split(" ")[0] in ("Return", "Tell", "Yield") and not measured
    is_property = bool(marks_of(node) & {"property", "cached_property"})
    nothing = ("None", "Iterator[None]")
    gives = node.returns is not None and ast.unparse(node.returns) not in nothing
    if gives and not (first or is_property or {"Returns", "Yields"} & set(sections)):
        missing.append("Returns")

    raises = any(isinstance(line, ast.Raise) and line.exc for line in ast.walk(node))
    if raises and "Raises" not in sections:
        missing.append("Raises")
    return missing


@pytest.mark.parametrize("file", FILES, ids=NAMES)
def test_a_docstring_says_what_goes_in_what_comes_out_and_what_is_raised(file):
    found = {name: unsaid(node) for name, node in public_definitions(file).items()}
    assert {name: gaps for name, gaps in found.items() if gaps} == {}
