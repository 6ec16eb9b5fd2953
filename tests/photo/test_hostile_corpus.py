"""Each photo of the hostile corpus is refused by name or read as the good one, in little memory.

All are read in one process whose address space and processor time the system bounds, as a photo's
reader is bounded on the page.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from dataclasses import replace

import pytest
from hostile_corpus import PATH_MM, SHAPE, cases

from densitycam.flags import FLAGS

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="a process's memory is bounded on Linux only"
)

#: Address space [bytes], of which the libraries take half a gigabyte; processor time [s], twenty
#: times what the corpus takes.
ROOM, LONGEST_S = 1_500_000_000, 400
#: Largest resident memory of the process [MB]: the libraries and a photo of 12 million pixels.
MOST_MB = 600

SCRIPT = """
import json, resource, sys
room, longest = int(sys.argv[2]), int(sys.argv[3])
resource.setrlimit(resource.RLIMIT_AS, (room, room))
resource.setrlimit(resource.RLIMIT_CPU, (longest, longest))
from pathlib import Path
from densitycam.errors import PhotoRefusedError
from densitycam.photo.decode import exif_time
from densitycam.vessel.read import read_photo
def peak_mb():
    # Not getrusage, which begins with what the parent had; Linux has this.
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(l.split()[1]) // 1024 for l in lines if l.startswith("VmHWM"))
for path in sorted(Path(sys.argv[1]).iterdir()):
    exif_time(path)
    try:
        reading = read_photo(path, path_mm={path_mm}, shape={shape!r}).reading
        said = {{"numbers": [*reading.attenuation[:2], *reading.absorbance[:2]]}}
    except PhotoRefusedError as refusal:
        said = {{"flag": refusal.flag, "problem": refusal.problem, "advice": refusal.advice}}
    said["peak_mb"] = peak_mb()
    print(json.dumps({{"name": path.name, **said}}), flush=True)
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("corpus")


@pytest.fixture(scope="module")
def corpus(folder):
    """The files are in the folder, and here is what may come of each."""
    known = {}
    for case in cases():
        (folder / case.name).write_bytes(case.data)
        known[case.name] = replace(case, data=b"")
    return known


@pytest.fixture(scope="module")
def said(corpus, folder):
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    script = SCRIPT.format(path_mm=PATH_MM, shape=SHAPE)
    run = subprocess.run(
        [sys.executable, "-W", "error::RuntimeWarning", "-c", script, str(folder), str(ROOM),
         str(LONGEST_S)],
        capture_output=True, text=True, env={**os.environ, **threads},
    )  # fmt: skip
    answers = [json.loads(line) for line in run.stdout.splitlines()]
    assert run.returncode == 0, f"after {answers[-1:]}: {run.stderr}"
    return {answer["name"]: answer for answer in answers}


def off(answer, good) -> float:
    pairs = zip(answer["numbers"], good["numbers"], strict=True)
    return max(abs(a - b) for a, b in pairs)


def test_each_is_refused_by_name_or_read_right(corpus, said):
    good, wrong = said["good.jpg"], []
    upright = said["turned-1.png"]  # of the very pixels that the turned ones hold
    assert set(said) == set(corpus)
    for name, case in corpus.items():
        answer = said[name]
        if "flag" in answer:
            fits = answer["flag"] in case.flags or (
                case.flags == ("any",) and answer["flag"] in FLAGS
            )
        else:
            same = upright if name.startswith("turned") and name.endswith("png") else good
            fits = case.within is not None and off(answer, same) <= case.within
        if not fits:
            wrong.append((name, answer, None if "flag" in answer else off(answer, good)))
    assert wrong == []


def test_every_refusal_says_what_is_wrong_and_what_to_do(said):
    refused = [a for a in said.values() if "flag" in a]
    assert len(refused) > 100
    for answer in refused:
        assert answer["problem"].endswith("."), answer
        assert answer["advice"].endswith("."), answer
        assert len(f"{answer['problem']} {answer['advice']}") < 400, answer
        if answer["flag"] != "unreadable":  # the registry's own words
            assert answer["advice"] == FLAGS[answer["flag"]].advice


def test_memory_stays_bounded(said):
    assert max(a["peak_mb"] for a in said.values()) < MOST_MB


def test_a_photo_cut_short_never_gives_a_number(said):
    cut = {name: a for name, a in said.items() if name.startswith("cut-")}
    assert len(cut) == 19 * 5
    assert Counter(a.get("flag") for a in cut.values()) == {"unreadable": 95}
    # A copy whose end is zeros: the sooner it ends, the less is there.
    filled = [a for name, a in sorted(said.items()) if name.startswith("zeros-") and "png" in name]
    assert all("flag" in a for a in filled[:7])  # to 65 %: the vessel's lower part is missing
