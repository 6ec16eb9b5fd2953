"""Brings about every fault many times and prints what was lost: run it by hand.

    python tests/benchmarks/faults.py [--share 1.0] [--seed 1] [--only WORDS] [--examples 3]

`--share` of the tries of tests/faults/listed.py are made; all of them take about an hour on two
busy cores. A full disk and one that may only be read are mounted where root runs it; else a limit
on the length of files, and file modes, stand for them. A few tries of each are tests.
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "faults")]


def main() -> None:
    """Print the figures."""
    from figures import HEADING, table_row
    from listed import FAULTS

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="faults whose name holds these words")
    parser.add_argument("--examples", type=int, default=3, help="of each fault, what was found")
    asked = parser.parse_args()
    os.environ.pop("DENSITYCAM_JOURNAL", None)
    print(f"{HEADING}{'seconds':>9}")
    bad = 0
    for fault in FAULTS:
        if not fault.many or asked.only not in fault.name:
            continue
        place = Path(tempfile.mkdtemp(prefix="densitycam-fault-"))
        place.chmod(0o755)
        begin = time.monotonic()
        found = fault.run(place, tries=math.ceil(fault.many * asked.share), seed=asked.seed)
        print(f"{table_row(fault.name, found)}{time.monotonic() - begin:>9.0f}", flush=True)
        for example in found.examples[: asked.examples]:
            print(f"    {example[:400]}")
        bad += found.bad
        shutil.rmtree(place)
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
