"""Worker processes: a death costs one job, once; none outlives the process that started it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import wait
from pathlib import Path

import pytest
from patience import patience

from densitycam.errors import DensitycamError
from densitycam.journal.workers import Workers

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.skipif(
    not hasattr(signal, "SIGKILL"), reason="kill -9 is not known on this system"
)


def squared(number: int) -> int:
    return number**2


def killed_at_13(number: int) -> int:
    if number == 13:
        os.kill(os.getpid(), signal.SIGKILL)
    return number**2


def killed_once(number: int, mark: Path) -> int:
    if number == 13 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number**2


def hanging_at_13(number: int, marks: Path) -> int:
    if number == 13:
        (marks / str(os.getpid())).touch()
        while True:
            time.sleep(1)
    return number**2


def out_of_time(_: int) -> None:
    raise TimeoutError("its own")


def own_id(_: int) -> int:
    return os.getpid()


def test_jobs_are_done_and_faults_of_theirs_come_back():
    with Workers(2) as workers:
        assert list(workers.map(squared, range(11))) == [n**2 for n in range(11)]
        with pytest.raises(TypeError, match="unsupported operand"):
            workers.submit(squared, "seven").result()
        assert set(workers.map(own_id, range(4))) - {os.getpid()}


def test_no_process_is_started_without_work():
    with Workers(2) as workers:
        assert workers._pools == []


def test_a_job_that_kills_its_process_twice_fails_and_costs_no_other():
    with Workers(2) as workers:
        jobs = [workers.submit(killed_at_13, n) for n in range(10, 17)]
        wait(jobs)
        with pytest.raises(DensitycamError, match="ended the process that read it, twice"):
            jobs[3].result()
        others = [job.result() for n, job in enumerate(jobs) if n != 3]
        assert others == [n**2 for n in range(10, 17) if n != 13]


def test_a_process_killed_by_somebody_else_costs_nothing(tmp_path):
    with Workers(1) as workers:
        jobs = [workers.submit(killed_once, n, tmp_path / "mark") for n in (12, 13, 14)]
        assert [job.result() for job in jobs] == [144, 169, 196]
    assert (tmp_path / "mark").exists()


def test_a_job_that_takes_too_long_is_ended_once_and_costs_no_other(tmp_path):
    with Workers(1) as workers:
        limit_s = patience(workers.submit(own_id, 1).result, least=5)
    with Workers(2, limit_s=limit_s) as workers:
        jobs = [workers.submit(hanging_at_13, n, tmp_path) for n in range(10, 17)]
        wait(jobs)
        with pytest.raises(DensitycamError, match=f"longer than {limit_s} s and was stopped"):
            jobs[3].result()
        others = [job.result() for n, job in enumerate(jobs) if n != 3]
        assert others == [n**2 for n in range(10, 17) if n != 13]
    assert len(list(tmp_path.iterdir())) == 1  # begun once, not again


def test_a_jobs_own_timeout_is_its_own_fault():
    with Workers(1, limit_s=30) as workers:
        first = workers.submit(own_id, 1).result()
        with pytest.raises(TimeoutError, match="its own"):
            workers.submit(out_of_time, 1).result()
        assert workers.submit(own_id, 1).result() == first


def test_stopping_ends_a_job_that_would_never_end(tmp_path):
    workers = Workers(1)
    hanging = workers.submit(hanging_at_13, 13, tmp_path)
    waiting = workers.submit(squared, 3)
    deadline = time.monotonic() + 60
    while not list(tmp_path.iterdir()):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    workers.stop()
    with pytest.raises(DensitycamError, match="is ending"):
        hanging.result(timeout=30)
    assert waiting.cancelled()


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="processes are looked up in /proc")
def test_workers_end_when_the_process_that_started_them_is_killed(tmp_path):
    script = (
        f"import sys; sys.path[:0] = [{str(Path(__file__).parent)!r}]\n"
        "import time, test_workers\n"
        "from densitycam.journal.workers import Workers\n"
        "if __name__ == '__main__':\n"
        "    workers = Workers(2)\n"
        "    jobs = [workers.submit(test_workers.own_id, n) for n in range(8)]\n"
        "    print(*{job.result() for job in jobs}, flush=True)\n"
        "    time.sleep(60)\n"
    )
    (tmp_path / "begin.py").write_text(script)
    process = subprocess.Popen(
        [sys.executable, str(tmp_path / "begin.py")],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}"},
        text=True,
    )
    workers = [Path("/proc") / number for number in process.stdout.readline().split()]
    alive = [worker.exists() for worker in workers]
    process.kill()
    process.wait()
    process.stdout.close()
    assert alive
    assert all(alive)
    deadline = time.monotonic() + 10
    while any(worker.exists() for worker in workers) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not any(worker.exists() for worker in workers)
