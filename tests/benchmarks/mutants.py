"""Breaks the numeric core on purpose, once a mutant, and sees whether a test fails: run it by hand.

    python tests/benchmarks/mutants.py [MODULE ...] [--workers 2] [--seconds 6]
                                       [--traces FILE] [--again FILE]

A MODULE is such as `culture/split`; without one all of `CORE`. Every arithmetic operator,
comparison, number, truth value, condition, `and`, `not`, sign, return, min and max of a module is
changed, one at a time, and the tests that reach the changed line are run until one fails, quickest
first, no longer than SECONDS of the processor a mutant. What survives and is not argued in
mutants_argued.md beside this file is printed, and the exit code is 1. After a change of tests
alone, `--again` with what an earlier run printed runs only what survived it; `--traces` keeps for
the next run what each test reaches.

Left out: what is said (texts, f-strings, errors and what `densitycam.wording` words), annotations,
decorators, assertions for the type checker, and the code that looks at pictures.

How: pytest collects once; each mutant is a fork of that process, in which the code of one function
is exchanged. What runs at import (constants, defaults) is changed before the import, in a fork that
has only loaded the libraries. What a test module reckons while it is imported therefore sees the
code unbroken: reckon it inside the test. Linux only.
"""

from __future__ import annotations

import argparse
import ast
import collections
import copy
import functools
import gc
import hashlib
import importlib
import importlib.machinery
import os
import pickle
import re
import resource
import selectors
import signal
import sys
import time
import traceback
import types
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "densitycam"
ARGUED = Path(__file__).with_name("mutants_argued.md")

#: The numeric core, the most consequential first.
CORE = (
    *("calibration/model", "culture/readiness", "culture/split"),
    *("counting/tally", "counting/precision", "counting/slide", "counting/chambers"),
    *("counting/dilution", "counting/poisson", "student_t"),
    *("calibration/robust", "calibration/signals", "calibration/estimate", "calibration/drift"),
    *("calibration/pigment", "calibration/species", "culture/growth", "culture/logistic"),
    *("culture/harvest_interval", "culture/forecast", "culture/foretell", "culture/warning"),
    *("culture/nutrient", "culture/dilution", "culture/feeding", "culture/stagger"),
    *("culture/advice", "culture/bottles"),
)

#: Tests that run, and those of them that only look at pictures.
TESTS = ("counting", "calibration", "culture", "reference", "test_student_t.py")
PICTURES = ("counting/test_slide_photo.py", "counting/test_ruling.py",
            "counting/test_cells_in_squares.py", "reference/test_marker_homography.py",
            "reference/test_colour_correction.py", "reference/test_colour_spaces.py",
            "reference/test_ciede2000.py", "reference/test_srgb_transfer.py")  # fmt: skip

#: Imported before anything is forked, so that no fork pays for it.
LIBRARIES = (
    *("numpy", "scipy.stats", "scipy.optimize", "cv2", "sklearn.linear_model", "gsw", "click"),
    *("lmfit", "statsmodels.api", "skimage.measure", "PIL.Image", "matplotlib.figure"),
)

#: Address space of a fork [bytes]: a loop without end may fill it.
MEMORY = 6 << 30

#: Calls whose arguments only become words.
WORDING = {"significant", "days_words", "density_words", "interval_words"}
#: Functions that only word what was decided.
WORDERS = {"_about", "_apart", "_band", "_cells", "_change", "_in_fresh", "_near", "_sentence",
           "_since", "describe_chain", "keeping_words", "ml"}  # fmt: skip

SWAPS: dict[type, type] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.MatMult: ast.Add,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum",
         "any": "all", "all": "any", "floor": "ceil", "ceil": "floor",
         "argmin": "argmax", "argmax": "argmin"}  # fmt: skip
DROPPED = {"abs", "sqrt", "sorted", "reversed"}  # the call goes, its argument stays


@dataclass
class Mutant:
    """One change of one module."""

    module: str
    function: str  # qualified name; "" at import
    name: str  # how the list of argued survivors calls it
    lines: tuple[int, int]  # of the changed statement
    code: types.CodeType  # of the whole changed module
    key: tuple[str, int] | None  # name and first line of the outermost function, None at import
    binds: frozenset[str]  # at import: the names that the statement sets
    tests: list[str] = field(default_factory=list)
    fate: str = "survived"


def _texts(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def _changes(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what a node can be changed into."""

    def put(**values: object) -> ast.AST:
        new = copy.copy(node)
        for name, value in values.items():
            setattr(new, name, value)
        return new

    if isinstance(node, (ast.BinOp, ast.AugAssign)):
        sides = (node.left, node.right) if isinstance(node, ast.BinOp) else (node.value,)
        if type(node.op) in SWAPS and not any(_texts(s) for s in sides):
            yield put(op=SWAPS[type(node.op)]())
    elif isinstance(node, ast.BoolOp):
        yield put(op=SWAPS[type(node.op)]())
    elif isinstance(node, ast.Compare):
        for i, op in enumerate(node.ops):
            yield put(ops=[*node.ops[:i], SWAPS[type(op)](), *node.ops[i + 1 :]])
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        yield node.operand
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield put(value=not node.value)
        elif isinstance(node.value, int):
            yield put(value=node.value + 1 if abs(node.value) < 10 else node.value * 2)
        elif isinstance(node.value, float):
            yield put(value=node.value * 2 if node.value else 1.0)
    elif isinstance(node, (ast.Break, ast.Continue)):
        yield ast.Continue() if isinstance(node, ast.Break) else ast.Break()
    elif isinstance(node, ast.Return):
        if node.value is not None and not (
            isinstance(node.value, ast.Constant) and node.value.value is None
        ):
            yield put(value=ast.Constant(None))
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield ast.Pass()
    elif isinstance(node, ast.Call):
        called = node.func
        if isinstance(called, ast.Name) and called.id in NAMES:
            yield put(func=ast.Name(NAMES[called.id], ast.Load()))
        elif isinstance(called, ast.Attribute) and called.attr in NAMES:
            yield put(func=ast.Attribute(called.value, NAMES[called.attr], ast.Load()))
        dropped = getattr(called, "id", getattr(called, "attr", ""))
        if dropped in DROPPED and len(node.args) == 1:
            yield node.args[0]


def _negated(node: ast.AST) -> Iterator[tuple[str, int | None]]:
    """Yield the fields of a node that are conditions."""
    if isinstance(node, (ast.If, ast.IfExp, ast.While)):
        yield "test", None
    elif isinstance(node, ast.comprehension):
        yield from (("ifs", i) for i in range(len(node.ifs)))


def _skipped(node: ast.AST, name: str, child: ast.AST) -> bool:
    """Whether a child holds only words, types or what Python's own tools look at."""
    if name in ("annotation", "returns", "decorator_list", "type_comment"):
        return True
    if isinstance(child, (ast.Raise, ast.Assert, ast.JoinedStr, ast.Import, ast.ImportFrom)):
        return True
    if isinstance(child, ast.FunctionDef) and child.name in WORDERS:
        return True
    if isinstance(child, ast.keyword) and child.arg in ("strict", "repr", "indent", "encoding"):
        return True
    if isinstance(child, ast.If) and getattr(child.test, "id", "") == "TYPE_CHECKING":
        return True
    return isinstance(node, ast.Call) and name == "args" and getattr(node.func, "id", "") in WORDING


@dataclass(frozen=True)
class _Place:
    """Where a node sits."""

    holder: ast.AST
    name: str
    index: int | None
    node: ast.AST
    statement: ast.stmt
    functions: tuple[ast.AST, ...]  # functions and classes round it, outermost first

    def put(self, new: ast.AST) -> None:
        if self.index is None:
            setattr(self.holder, self.name, new)
        else:
            getattr(self.holder, self.name)[self.index] = new


def _places(node: ast.AST, statement: ast.stmt | None, round_it: tuple = ()) -> Iterator[_Place]:
    for name, value in ast.iter_fields(node):
        several = isinstance(value, list)
        for i, child in enumerate(value if several else [value]):
            if not isinstance(child, ast.AST) or _skipped(node, name, child):
                continue
            own = child if isinstance(child, ast.stmt) else statement
            if own is not None:
                yield _Place(node, name, i if several else None, child, own, round_it)
            inner = isinstance(child, (ast.FunctionDef, ast.ClassDef))
            yield from _places(child, own, (*round_it, child) if inner else round_it)


def _header(statement: ast.stmt) -> str:
    """Return a statement's own text, without what stands under it, in one line."""
    bare = copy.copy(statement)
    for name in ("body", "orelse", "finalbody", "handlers"):
        if hasattr(bare, name):
            setattr(bare, name, [ast.Pass()] if name == "body" else [])
    return re.sub(r"\s+", " ", ast.unparse(bare)).removesuffix(" pass")


def _short(text: str) -> str:
    """Return the marked change with a little of what stands round it."""
    start, end = text.index("⟦"), text.index("⟧") + 1
    before, after = text[:start], text[end:]
    before = before if len(before) <= 50 else "…" + before[-49:]
    return before + text[start:end] + (after if len(after) <= 40 else after[:39] + "…")


def _own_lines(statement: ast.stmt) -> tuple[int, int]:
    body = getattr(statement, "body", None)
    last = body[0].lineno - 1 if body else statement.end_lineno
    return statement.lineno, max(last or 0, statement.lineno)


def mutants_of(module: str) -> list[Mutant]:
    """Return every mutant of a module, in the order of its text."""
    path = PACKAGE / f"{module}.py"
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found, seen = [], collections.Counter()

    def add(place: _Place, new: ast.AST, old: str = "") -> None:
        old = old or ast.unparse(place.node)
        said = ast.unparse(new)
        mark = f"⟦{old} → {said}⟧"
        if isinstance(place.node, (ast.Return, ast.AugAssign, ast.Expr, ast.Break, ast.Continue)):
            text = mark
        else:
            place.put(ast.Name(mark, ast.Load()))
            text = _header(place.statement)
            if "⟦" not in text:  # in an except clause or the like
                text = mark
        place.put(ast.fix_missing_locations(ast.copy_location(new, place.node)))
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", SyntaxWarning)
                code = compile(tree, str(path), "exec")
        except (SyntaxError, ValueError, TypeError):
            return
        finally:
            place.put(place.node)
        inner = [f for f in place.functions if isinstance(f, ast.FunctionDef)]
        if place.statement is (inner[-1] if inner else None):
            inner = inner[:-1]  # a function's own header: its defaults belong to what is round it
        outer = inner[0] if inner else None
        name = ".".join(f.name for f in place.functions)  # type: ignore[attr-defined]
        label = f"{module} {name or 'module'}: {_short(re.sub(chr(92) + 's+', ' ', text))}"
        seen[label] += 1
        if seen[label] > 1:
            label += f" #{seen[label]}"
        binds = set()
        if outer is None:
            if isinstance(place.statement, ast.FunctionDef):
                binds.add(place.statement.name)
            else:
                stored = (n for n in ast.walk(place.statement) if isinstance(n, ast.Name))
                binds.update(n.id for n in stored if isinstance(n.ctx, ast.Store))
            binds.update(f.name for f in place.functions)  # type: ignore[attr-defined]
        key = None
        if outer is not None:
            first = min([d.lineno for d in outer.decorator_list] + [outer.lineno])
            key = (outer.name, first)
        found.append(
            Mutant(
                module,
                name if outer is not None else "",
                label,
                _own_lines(place.statement),
                code,
                key,
                frozenset(binds),
            )
        )

    for place in _places(tree, None):
        for new in _changes(place.node):
            add(place, new)
        for name, i in _negated(place.node):
            held = getattr(place.node, name)
            test = held if i is None else held[i]
            inner = _Place(place.node, name, i, test, place.statement, place.functions)
            if (
                isinstance(test, ast.Compare)
                and len(test.ops) == 1
                and not isinstance(test.ops[0], (ast.Lt, ast.LtE, ast.Gt, ast.GtE))
            ):
                continue  # the comparison itself is turned round already
            if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not):
                continue  # the `not` is dropped already
            add(inner, ast.UnaryOp(ast.Not(), test))
    return found


# Forks ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fault:
    """What went wrong in a fork, outside its tests: this script's fault."""

    trace: str


def _forked(work: Callable[[], object], seconds: float | None) -> tuple[int, int]:
    """Run work in a fork; return its process and the pipe from which its pickled answer comes.

    With SECONDS of the processor it says nothing and is held to them and to `MEMORY`; without, it
    may take its time and tell on stderr how it goes on.
    """
    out, into = os.pipe()
    pid = os.fork()
    if pid:
        os.close(into)
        return pid, out
    try:
        os.close(out)
        if seconds is None:
            os.dup2(2, 1)
        else:
            limit = max(1, int(seconds + 0.999))
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 2))
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
            signal.signal(signal.SIGXCPU, signal.SIG_DFL)
            null = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(null, stream)
        try:
            answer = work()
        except Exception:
            answer = Fault(traceback.format_exc())
        with open(into, "wb") as pipe:
            pickle.dump(answer, pipe)
    finally:
        os._exit(0)


def _all(
    works: Sequence[Callable[[], object]], *, workers: int, seconds: float, title: str
) -> list[object]:
    """Run works in forks, so many at a time; None where one died or took too long."""
    answers: list[object] = [None] * len(works)
    running: dict[int, tuple[int, int, list[bytes], float]] = {}
    chooser = selectors.DefaultSelector()
    waiting = list(range(len(works)))[::-1]
    done = 0
    while waiting or running:
        while waiting and len(running) < workers:
            n = waiting.pop()
            pid, pipe = _forked(works[n], seconds)
            running[pipe] = (n, pid, [], time.monotonic())
            chooser.register(pipe, selectors.EVENT_READ)
        for ready, _ in chooser.select(timeout=5.0):
            n, pid, chunks, _ = running[ready.fd]
            piece = os.read(ready.fd, 1 << 20)
            if piece:
                chunks.append(piece)
                continue
            chooser.unregister(ready.fd)
            os.close(ready.fd)
            os.waitpid(pid, 0)
            del running[ready.fd]
            answers[n] = pickle.loads(b"".join(chunks)) if chunks else None
            if isinstance(answers[n], Fault):
                raise RuntimeError(answers[n].trace)
            done += 1
            if sys.stderr.isatty() or done % 200 == 0:
                print(f"{title}: {done} of {len(works)}", file=sys.stderr)
        for _, pid, _, since in running.values():  # one that sleeps uses no processor
            if time.monotonic() - since > 20 * seconds + 60:
                os.kill(pid, signal.SIGKILL)
    return answers


# What the tests reach ------------------------------------------------------------------------


def _traced(item: pytest.Item, files: dict[str, str]) -> object:
    """Run one test; return whether it passed, its seconds and the lines of the core it reached."""
    lines: set[tuple[str, int]] = set()
    names = {path: module for module, path in files.items()}

    def local(frame: types.FrameType, event: str, _: object) -> object:
        if event == "line":
            lines.add((names[frame.f_code.co_filename], frame.f_lineno))
        return local

    def called(frame: types.FrameType, event: str, _: object) -> object:
        if frame.f_code.co_filename not in names:
            return None
        lines.add((names[frame.f_code.co_filename], frame.f_lineno))
        return local

    start = time.process_time()
    sys.settrace(called)
    passed = _passes([item])
    sys.settrace(None)
    return passed, time.process_time() - start, lines


@functools.cache
def _hash_of(*paths: Path) -> str:
    return hashlib.sha256(b"".join(p.read_bytes() for p in sorted(paths))).hexdigest()


def _trace_key(name: str) -> tuple[str, str]:
    """Return what a test's trace holds for: its name, and the content of package and test file."""
    test = ROOT / name.split("::")[0]
    return name, _hash_of(*PACKAGE.rglob("*.py"), *test.parents[0].glob("[!t]*.py"), test)


def _passes(items: Sequence[pytest.Item]) -> bool:
    """Whether all of some tests pass; stops at the first that does not."""
    from _pytest.runner import runtestprotocol

    for item, following in zip(items, [*items[1:], None], strict=True):
        reports = runtestprotocol(item, nextitem=following, log=False)
        if any(r.failed for r in reports):
            return False
    return True


def _exchanged(mutant: Mutant, function: types.FunctionType, items: list[pytest.Item]) -> str:
    """Give a function its mutant's code and run tests."""
    pending = [mutant.code]
    while pending:
        code = pending.pop()
        if (code.co_name, code.co_firstlineno) == mutant.key:
            function.__code__ = code
            return "survived" if _passes(items) else "killed"
        pending.extend(c for c in code.co_consts if isinstance(c, types.CodeType))
    raise AssertionError(mutant.name)


class Hunt:
    """Takes the place of pytest's loop: traces every test once, then lets mutants meet them."""

    def __init__(
        self, mutants: list[Mutant], workers: int, seconds: float, kept: Path | None
    ) -> None:
        self.mutants, self.workers, self.seconds, self.kept = mutants, workers, seconds, kept
        self.reached: dict[tuple[str, int], list[str]] = {}
        self.spent: dict[str, float] = {}

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Do it all once the tests are collected."""
        items = {i.nodeid: i for i in session.items}
        files = {m: str(PACKAGE / f"{m}.py") for m in CORE}
        before = pickle.loads(self.kept.read_bytes()) if self.kept and self.kept.exists() else {}
        keys = {name: _trace_key(name) for name in items}
        new = [name for name in items if keys[name] not in before]
        traces = _all([lambda n=n: _traced(items[n], files) for n in new],
                      workers=self.workers, seconds=300, title="tests traced")  # fmt: skip
        known = {key: before[key] for key in keys.values() if key in before}
        for name, trace in zip(new, traces, strict=True):
            if trace is None or not trace[0]:
                raise RuntimeError(f"{name} fails without any mutant")
            known[keys[name]] = trace[1:]
        if self.kept:
            self.kept.write_bytes(pickle.dumps(known))
        for name in items:
            self.spent[name], lines = known[keys[name]]
            for line in lines:
                self.reached.setdefault(line, []).append(name)
        for module in CORE:
            importlib.import_module(f"densitycam.{module.replace('/', '.')}")
        functions = {
            (f.__code__.co_filename, f.__code__.co_name, f.__code__.co_firstlineno): f
            for f in gc.get_objects()
            if isinstance(f, types.FunctionType) and f.__code__.co_filename in files.values()
        }
        gc.freeze()  # else every fork copies what its collector touches
        works, inside = [], []
        for m in self.mutants:
            m.tests = self.tests_of(m)
            if m.key is None:
                continue
            function = functions[(str(PACKAGE / f"{m.module}.py"), *m.key)]
            if not m.tests:
                m.fate = "not reached"
                continue
            inside.append(m)
            works.append(lambda m=m, f=function: _exchanged(m, f, [items[t] for t in m.tests]))
        fates = _all(works, workers=self.workers, seconds=3 * self.seconds + 5, title="mutants")
        for m, fate in zip(inside, fates, strict=True):
            m.fate = fate or "killed"  # it ran into its limit, or took the process down
        return True

    def tests_of(self, mutant: Mutant) -> list[str]:
        """Return the tests that reach a mutant, quickest first, as many as there is time for."""
        names: set[str] = set()
        if mutant.key is not None:
            for line in range(mutant.lines[0], mutant.lines[1] + 1):
                names.update(self.reached.get((mutant.module, line), ()))
        else:
            for module, first, last in _users(mutant.binds):
                for line in range(first, last + 1):
                    names.update(self.reached.get((module, line), ()))
            names = names or set(self.spent)  # a name that only tests use
        chosen, total = [], 0.0
        for name in sorted(names, key=lambda n: (self.spent[n], n)):
            total += self.spent[name]
            if total > self.seconds:
                break
            chosen.append(name)
        return chosen


def _users(names: frozenset[str]) -> list[tuple[str, int, int]]:
    """Return the lines of every function of the core that mentions one of some names."""
    if names not in _USERS:
        found = []
        for module in CORE:
            path = PACKAGE / f"{module}.py"
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.FunctionDef) and (
                    node.name in names
                    or any(
                        getattr(n, "id", getattr(n, "attr", None)) in names for n in ast.walk(node)
                    )
                ):
                    found.append((module, node.body[0].lineno, node.end_lineno or 0))
        _USERS[names] = found
    return _USERS[names]


_USERS: dict[frozenset[str], list[tuple[str, int, int]]] = {}


def _imported(mutant: Mutant, arguments: list[str]) -> str:
    """Change a module before its import, and run tests."""
    path, original = (
        str(PACKAGE / f"{mutant.module}.py"),
        importlib.machinery.SourceFileLoader.get_code,
    )

    def get_code(self: importlib.machinery.SourceFileLoader, name: str) -> types.CodeType | None:
        return mutant.code if self.path == path else original(self, name)

    importlib.machinery.SourceFileLoader.get_code = get_code  # type: ignore[method-assign]
    return (
        "survived" if pytest.main(["-x", "-p", "no:cacheprovider", *arguments]) == 0 else "killed"
    )


def _hunted(mutants: list[Mutant], workers: int, seconds: float, kept: Path | None) -> object:
    """Collect the tests and hunt; return each mutant's tests and fate."""
    tests = [str(ROOT / "tests" / t) for t in TESTS]
    left_out = [f"--ignore={ROOT / 'tests' / p}" for p in PICTURES]
    hunt = Hunt(mutants, workers, seconds, kept)
    code = pytest.main(
        ["-p", "no:cacheprovider", "-p", "no:faulthandler", *left_out, *tests], [hunt]
    )
    if code != 0:
        raise RuntimeError(f"pytest ended with {code}")
    return [(m.tests, m.fate) for m in mutants]


def argued() -> dict[str, str]:
    """Return the survivors that are argued, with their reasons."""
    if not ARGUED.exists():
        return {}
    lines = re.findall(r"^- `(.+?)`: (.+)$", ARGUED.read_text(encoding="utf-8"), re.MULTILINE)
    return dict(lines)


def main() -> None:
    """Hunt, and print what survived."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", metavar="MODULE")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--again", type=Path, metavar="FILE", help="only those that it names")
    parser.add_argument("--traces", type=Path, metavar="FILE", help="kept here for the next run")
    asked = parser.parse_args()
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[threads] = "1"  # a pool of threads does not live through a fork
    for name in LIBRARIES:
        importlib.import_module(name)
    mutants = [m for module in asked.modules or CORE for m in mutants_of(module)]
    if asked.again:
        named = set(asked.again.read_text(encoding="utf-8").split("\n"))
        mutants = [m for m in mutants if f"  {m.name}" in named]

    pid, pipe = _forked(lambda: _hunted(mutants, asked.workers, asked.seconds, asked.traces), None)
    with open(pipe, "rb") as answer:
        told = pickle.load(answer)
    os.waitpid(pid, 0)
    if isinstance(told, Fault):
        raise RuntimeError(told.trace)
    for m, (tests, fate) in zip(mutants, told, strict=True):
        m.tests, m.fate = tests, fate
    cold = [m for m in mutants if m.key is None]
    works = [lambda m=m: _imported(m, m.tests) for m in cold if m.tests]
    fates = iter(
        _all(works, workers=asked.workers, seconds=3 * asked.seconds + 15, title="at import")
    )
    for m in cold:
        m.fate = (next(fates) or "killed") if m.tests else "not reached"

    reasons = argued()
    print(f"{'module':28}{'mutants':>8}{'killed':>8}{'argued':>8}{'new':>6}")
    rows = collections.Counter()
    for module in asked.modules or CORE:
        own = [m for m in mutants if m.module == module]
        alive = [m for m in own if m.fate != "killed"]
        known = sum(m.name in reasons for m in alive)
        row = (len(own), len(own) - len(alive), known, len(alive) - known)
        rows.update(dict(enumerate(row)))
        print(f"{module:28}{row[0]:8}{row[1]:8}{row[2]:8}{row[3]:6}")
    print(f"{'all':28}{rows[0]:8}{rows[1]:8}{rows[2]:8}{rows[3]:6}")
    for m in mutants:
        if m.fate != "killed" and m.name not in reasons:
            print(f"{m.fate} ({len(m.tests)} tests), line {m.lines[0]}:\n  {m.name}")
    names = {m.name: m.fate for m in mutants}
    for name in reasons:
        if name.split(" ")[0] in (asked.modules or CORE) and names.get(name, "killed") == "killed":
            print(f"argued, but {'killed' if name in names else 'no longer there'}:\n  {name}")
    sys.exit(1 if rows[3] else 0)


if __name__ == "__main__":
    main()
