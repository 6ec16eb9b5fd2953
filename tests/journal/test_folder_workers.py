"""A folder scored by an executor says the same as one scored here, in the same order."""

from __future__ import annotations

import os
import pickle
import signal
import time
from concurrent.futures import (
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from another_photo import write_another
from patience import patience

from densitycam.journal.folder import FolderPhoto, plan_folder, score_folder
from densitycam.journal.scoring import ReadingJob, optics_for, read_job
from densitycam.journal.store import Journal
from densitycam.journal.workers import Workers
from densitycam.vessel.record import VesselRecord

SLIM = VesselRecord("slim", "nannochloropsis", 500.0, 20.0, "flat")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine files: two scenes photographed several times, and three that are spoilt."""
    from densitycam.simulate import Scene, write_photo

    folder = tmp_path_factory.mktemp("many") / "slim"
    folder.mkdir()
    for n in range(2):
        when = datetime(2026, 4, 1, 8, 30) + timedelta(days=n)
        scene = Scene(seed=n, cells_per_ml=9e6, taken_at=when, size_px=(1000, 750))
        write_photo(scene, folder / f"{n}.jpg")
    good = [(folder / f"{n}.jpg").read_bytes() for n in range(2)]
    (folder / "2-empty.jpg").write_bytes(b"")
    (folder / "3-cut-short.jpg").write_bytes(good[0][: len(good[0]) // 3])
    (folder / "4-no-picture.jpg").write_text("no picture")
    (folder / "5-twice.jpg").write_bytes(good[1])
    for n in (6, 7, 8):
        write_another(folder / f"{n % 2}.jpg", folder / f"{n}.jpg", number=n)
    return folder.parent


def journal_at(path: Path) -> Journal:
    journal = Journal(path)
    journal.add_vessel(SLIM)
    return journal


def scored(folder: Path, path: Path, executor: Executor | None):
    with journal_at(path) as journal:
        outcomes = list(
            score_folder(journal, plan_folder(folder, journal).photos, executor=executor)
        )
        kept = journal.photos("slim")
    return outcomes, kept


@pytest.fixture(scope="module")
def alone(folder, tmp_path_factory):
    """What the folder gives when no worker is there."""
    return scored(folder, tmp_path_factory.mktemp("alone") / "j.sqlite", None)


def same(outcomes, expected) -> None:
    """Hold outcomes against others; their numbers in the journal go by who was read first."""

    def numberless(outcome):
        record = outcome.record
        return replace(outcome, record=None if record is None else replace(record, id=0))

    assert [numberless(o) for o in outcomes] == [numberless(o) for o in expected]


def test_what_is_expected_holds_all_kinds(alone):
    outcomes, kept = alone
    assert [o.photo.path.stem for o in outcomes] == [
        *("0", "1", "2-empty", "3-cut-short", "4-no-picture", "5-twice", "6", "7", "8")
    ]
    assert [o.failed for o in outcomes] == [False, False, True, True, True, *[False] * 4]
    assert outcomes[5].duplicate_of == "slim/1.jpg"
    assert len(kept) == sum(not o.duplicate_of and o.record is not None for o in outcomes)


def test_workers_say_the_same_in_the_same_order(folder, alone, tmp_path):
    with Workers(2) as workers:
        outcomes, kept = scored(folder, tmp_path / "j.sqlite", workers)
        assert len(workers._pools) == 2
        # A second run knows all of them, and hands nothing out.
        with Journal(tmp_path / "j.sqlite") as journal:
            photos = plan_folder(folder, journal).photos
            again = list(score_folder(journal, photos, executor=Refusing()))
    same(outcomes, alone[0])
    assert len(kept) == len(alone[1])
    unread = {o.photo.shown for o in alone[0] if o.record is None and not o.duplicate_of}
    known = [o if o.photo.shown in unread else replace(o, fresh=False) for o in alone[0]]
    same(again, known)


def test_any_executor_can_be_handed_in(folder, alone, tmp_path):
    with ThreadPoolExecutor(2) as threads:
        same(scored(folder, tmp_path / "j.sqlite", threads)[0], alone[0])


def test_dask_distributed_can_be_handed_in(folder, alone, tmp_path):
    # How a hatchery outgrows one machine; installed with the extra `cluster`.
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
        client.get_executor() as executor,
    ):
        outcomes, kept = scored(folder, tmp_path / "j.sqlite", executor)
    same(outcomes, alone[0])
    assert len(kept) == len(alone[1])


class Refusing(Executor):
    """Takes no work."""

    def submit(self, fn, /, *args, **kwargs) -> Future:
        raise AssertionError("nothing may be handed out")


class Spoilt(Workers):
    """Workers that meet something else when they read a certain photo."""

    def __init__(self, count: int, meets, name: str, limit_s: float | None = None) -> None:
        super().__init__(count, limit_s=limit_s)
        self.meets, self.name = meets, name

    def submit(self, fn, /, *args, **kwargs) -> Future:
        return super().submit(partial(self.meets, self.name, fn), *args, **kwargs)


def hang_at(name: str, fn, job: ReadingJob | Path):
    while (job if isinstance(job, Path) else job.path).name == name:
        time.sleep(1)
    return fn(job)


def die_at(name: str, fn, job: ReadingJob):
    if job.path.name == name:
        os.kill(os.getpid(), signal.SIGKILL)
    return fn(job)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="kill -9 is not known on this system")
def test_a_photo_that_kills_its_reader_is_named_and_costs_no_other(folder, alone, tmp_path):
    with Spoilt(2, die_at, "1.jpg") as workers:
        outcomes, kept = scored(folder, tmp_path / "j.sqlite", workers)
    same([o for n, o in enumerate(outcomes) if n != 1], [*alone[0][:1], *alone[0][2:]])
    assert "ended the process that read it, twice" in outcomes[1].problem
    assert "fewer workers" in outcomes[1].problem
    assert outcomes[1].record is None, "it is tried again by the next run"
    assert len(kept) == len(alone[1]) - 1


def test_a_photo_that_hangs_is_named_and_costs_no_other(folder, alone, tmp_path):
    with Workers(1) as workers:
        limit_s = patience(workers.submit(os.getpid).result, least=8)
    with Spoilt(2, hang_at, "1.jpg", limit_s=limit_s) as workers:
        outcomes, kept = scored(folder, tmp_path / "j.sqlite", workers)
    same([o for n, o in enumerate(outcomes) if n != 1], [*alone[0][:1], *alone[0][2:]])
    assert f"longer than {limit_s} s and was stopped" in outcomes[1].problem
    assert outcomes[1].record is None
    assert len(kept) == len(alone[1]) - 1
    # The next run has that one to read and nothing else; it must not take the run along either.
    with Spoilt(1, hang_at, "1.jpg", limit_s=4) as workers, Journal(tmp_path / "j.sqlite") as again:
        photos = plan_folder(folder, again).photos
        outcomes = list(score_folder(again, photos, executor=workers))
    assert [o.photo.shown for o in outcomes if "was stopped" in o.problem] == ["slim/1.jpg"]


def test_a_bare_card_that_hangs_is_named(folder, tmp_path):
    from densitycam.journal.prints import measure_print, register_folder

    def measured(path: Path):
        return workers.submit(measure_print, path).result()

    card = folder / "slim" / "1.jpg"  # nothing is read of it
    with Spoilt(1, hang_at, "1.jpg", limit_s=4) as workers, journal_at(tmp_path / "j") as journal:
        registered, failed = register_folder(
            journal, [card], registered_at=datetime(2026, 4, 1), measured=measured
        )
    assert registered is None
    assert [path for path, _ in failed] == [card]
    assert "longer than 4 s and was stopped" in failed[0][1]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="kill -9 is not known on this system")
def test_an_executor_that_breaks_costs_photos_but_not_the_run(folder, alone, tmp_path):
    with ProcessPoolExecutor(1) as pool:
        with pytest.raises(BrokenExecutor, match="terminated abruptly"):
            pool.submit(os._exit, 9).result()
        outcomes, _ = scored(folder, tmp_path / "j.sqlite", pool)
    assert [o.photo.path.stem for o in outcomes] == [o.photo.path.stem for o in alone[0]]
    lost = [o for o in outcomes if "The worker that read it was lost" in o.problem]
    assert len(lost) == sum(o.record is not None for o in alone[0])
    with journal_at(tmp_path / "j.sqlite") as journal:
        photos = plan_folder(folder, journal).photos
        same(list(score_folder(journal, photos)), alone[0])


def test_what_was_read_is_kept_although_the_run_is_broken_off(folder, tmp_path):
    with Workers(2) as workers, journal_at(tmp_path / "j.sqlite") as journal:
        photos = plan_folder(folder, journal).photos
        running = score_folder(journal, photos, executor=workers)
        first = next(running)
        running.close()
        assert journal.find_photo(first.record.sha256, "slim") is not None


def test_a_job_and_what_comes_of_it_travel_by_pickle(folder):
    photo = FolderPhoto(folder / "slim" / "0.jpg", "slim/0.jpg", SLIM)
    job = ReadingJob(photo.path, SLIM, optics_for(SLIM), "0" * 64, ())
    record = read_job(pickle.loads(pickle.dumps(job)))
    assert pickle.loads(pickle.dumps(record)) == record
    assert len(pickle.dumps(record)) < 50_000, "no picture travels with it"
