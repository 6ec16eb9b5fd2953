"""Feeds spoilt files to everything that reads one, and counts what comes of it: run it by hand.

    pip install atheris                      (CPython on Linux; not among our requirements)
    python tests/benchmarks/fuzz.py [TARGET ...] [--share 1.0] [--seed 1] [--found FOLDER]

The targets stand in tests/fuzz_targets.py: photos of every format, calibration, starting optics and
species files, settings, count files, a photo folder's tables, exports as JSON and as tables.
atheris (libFuzzer) follows which of our lines, and which of the image library's, an input reaches
and keeps those that reach new ones; half of the mutations know the file's form. Each target runs in
a process of its own whose memory is bounded as that of the page's readers.

Printed for each target: executions, clean refusals, files accepted (and then used as the next
command would), and the rest, which are faults: another exception, also one for want of memory,
more than 2 s of processor time, or the process's death. The input of each kind of fault is written
to the folder. A short piece of it, always the same, is in the suite (tests/journal).
"""

from __future__ import annotations

import argparse
import json
import mmap
import random
import resource
import struct
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fuzz_targets import TARGETS, accepted

#: Executions of each target in a whole run: 260 000 in all.
RUNS = {
    "photo": 90_000,
    "calibration": 40_000,
    "start": 20_000,
    "species": 30_000,
    "settings": 30_000,
    "count": 20_000,
    "tables": 15_000,
    "import": 10_000,
    "import-folder": 5_000,
}

#: Processor time that one small file may take [s].
LONGEST_S = 2.0
#: A file that hangs is given up after this [s].
HANGS_S = 60
#: Address space, as `densitycam.web.reader.MEMORY` [bytes]: who wants more gets a MemoryError.
MEMORY = 2_500_000_000

#: What a child counts, in shared memory so that its death loses nothing.
COUNTS = ("executions", "refused", "accepted", "faults", "slowest_ms", "peak_mb")
_FORM = struct.Struct("6Q")


def child(name: str, *, runs: int, seed: int, corpus: Path, found: Path, state: Path) -> None:
    """Fuzz one target in this process; libFuzzer ends it."""
    import atheris

    with atheris.instrument_imports(include=["densitycam", "PIL", "pillow_heif"]):
        target = TARGETS[name]
        scratch = tempfile.TemporaryDirectory()
        run = target.begin(Path(scratch.name))
        for seed_file in target.seeds():
            accepted_or_none(run, seed_file)  # imports what is imported late, so that it is watched
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    with state.open("r+b") as file:
        memory = mmap.mmap(file.fileno(), _FORM.size)
    counts = dict(zip(COUNTS, _FORM.unpack(memory[:]), strict=True))
    kinds: set[str] = set()

    def fault(kind: str, data: bytes, said: str) -> None:
        counts["faults"] += 1
        if kind not in kinds:
            kinds.add(kind)
            stem = f"{name}-{len(list(found.iterdir())):03d}"
            (found / f"{stem}.bin").write_bytes(data)
            (found / f"{stem}.txt").write_text(f"{kind}\n\n{said}")

    def once(data: bytes) -> None:
        begun = time.process_time()
        counts["executions"] += 1
        try:
            counts["accepted" if accepted(run, data) else "refused"] += 1
        except Exception as error:
            fault(kind_of(error), data, traceback.format_exc())
        took = time.process_time() - begun
        if took > LONGEST_S:
            fault("slow", data, f"{took:.1f} s")
        counts["slowest_ms"] = max(counts["slowest_ms"], round(1000 * took))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        counts["peak_mb"] = max(counts["peak_mb"], peak)
        memory[:] = _FORM.pack(*counts.values())

    def spoil(data: bytes, most: int, number: int) -> bytes:
        chance = random.Random(number)
        if chance.random() < 0.5:
            return atheris.Mutate(data, most)
        return target.mutate(data, chance)[:most]

    atheris.Setup(
        [
            sys.argv[0],
            f"-runs={runs}",
            f"-seed={seed}",
            f"-max_len={target.longest}",
            f"-timeout={HANGS_S}",
            "-rss_limit_mb=0",  # the address space is bounded above
            "-len_control=0",
            "-verbosity=0",
            "-print_final_stats=0",
            f"-artifact_prefix={found}/{name}-died-",
            str(corpus),
        ],
        once,
        custom_mutator=spoil,
    )
    atheris.Fuzz()


def accepted_or_none(run: object, data: bytes) -> bool | None:
    """Try a seed; faults are met again, and counted, in the run itself."""
    try:
        return accepted(run, data)  # type: ignore[arg-type]
    except Exception:
        return None


def kind_of(error: BaseException) -> str:
    """Name a fault by its kind and by the last of our lines that it came through."""
    ours = [f for f in traceback.extract_tb(error.__traceback__) if "densitycam/" in f.filename]
    place = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "?"
    return f"{type(error).__name__} at {place}"


def fuzz(name: str, *, runs: int, seed: int, found: Path) -> dict[str, int]:
    """Run a target's executions, in a fresh process after each that died, and return the counts."""
    with tempfile.TemporaryDirectory() as scratch:
        corpus, state = Path(scratch) / "corpus", Path(scratch) / "state"
        corpus.mkdir()
        for number, data in enumerate(TARGETS[name].seeds()):
            (corpus / f"seed-{number}").write_bytes(data)
        state.write_bytes(bytes(_FORM.size))
        deaths = 0
        while True:
            done = dict(zip(COUNTS, _FORM.unpack(state.read_bytes()), strict=True))
            left = runs - done["executions"]
            if left <= 0 or deaths > 20:
                break
            ended = subprocess.run(
                [
                    *(sys.executable, __file__, name, "--child", str(left)),
                    *("--seed", str(seed + deaths), "--found", str(found)),
                    *("--corpus", str(corpus), "--state", str(state)),
                ],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
            )
            if ended.returncode:
                deaths += 1
                (found / f"{name}-died-{deaths}.txt").write_bytes(ended.stderr[-20_000:])
        return {**done, "faults": done["faults"] + deaths}


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    parser.add_argument("--share", type=float, default=1.0, help="of the usual executions")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", type=Path, help="folder for inputs that are faults")
    for inner in ("--child", "--corpus", "--state"):
        parser.add_argument(inner, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    found = asked.found or Path(tempfile.mkdtemp(prefix="fuzz-"))
    found.mkdir(parents=True, exist_ok=True)
    if asked.child:
        child(
            asked.targets[0],
            runs=int(asked.child),
            seed=asked.seed,
            corpus=Path(asked.corpus),
            found=found,
            state=Path(asked.state),
        )
        return
    total = dict.fromkeys(COUNTS[:4], 0)
    print(f"{'target':<14}{'executions':>11}{'refused':>9}{'accepted':>9}{'faults':>7}"
          f"{'slowest':>9}{'memory':>9}{'took':>8}", flush=True)  # fmt: skip
    for name in asked.targets or TARGETS:
        begun = time.monotonic()
        done = fuzz(name, runs=round(asked.share * RUNS[name]), seed=asked.seed, found=found)
        for key in total:
            total[key] += done[key]
        print(f"{name:<14}{done['executions']:>11}{done['refused']:>9}{done['accepted']:>9}"
              f"{done['faults']:>7}{done['slowest_ms']:>6} ms{done['peak_mb']:>6} MB"
              f"{time.monotonic() - begun:>6.0f} s", flush=True)  # fmt: skip
    print(
        f"{'all':<14}"
        + "".join(f"{total[k]:>{w}}" for k, w in zip(total, (11, 9, 9, 7), strict=True))
    )
    if total["faults"]:
        print(f"The inputs are in {found}.")
    print(json.dumps(total), file=sys.stderr)


if __name__ == "__main__":
    main()
