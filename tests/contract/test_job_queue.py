"""Jobs in a database: each is done once where nobody dies, and again where somebody did; none is lost."""

from __future__ import annotations

import dataclasses
import json
import multiprocessing
import os
import signal
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from cluster import Cluster

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.store.project import Project
from facademap.store.team_address import Address, read_address
from facademap.store.team_jobs import MOST_ATTEMPTS, JobQueue
from facademap.tasks.memory import memory_mb, memory_of_all_mb
from facademap.web.job_process import _keep_to_cores
from facademap.web.jobs import Jobs
from facademap.web.queue_jobs import QueuedJobs
from facademap.web.worker import work

_forked = multiprocessing.get_context("fork")


@pytest.fixture(scope="module")
def database(cluster: Cluster) -> str:
    return cluster.make_database("job_queue")


@pytest.fixture
def address(database: str) -> Address:
    """The database with an empty queue."""
    address = read_address(database)
    with JobQueue(address) as queue:
        if queue.is_there():
            queue._ask("DELETE FROM facademap_jobs.jobs")
    return address


@dataclasses.dataclass
class Running:
    id: str = "x"
    state: str = "running"
    fraction: float = 0.0
    result: Any = None
    error: Any = None


class Stand:
    """Work that takes as long as its options say, in place of a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.running = folder, Running()

    def start(self, kind: str, options: dict[str, Any], *, who: str) -> Running:
        def run() -> None:
            end = time.monotonic() + options.get("seconds", 0)
            while time.monotonic() < end and self.running.state == "running":
                time.sleep(0.01)
                self.running.fraction = 0.5
            if self.running.state == "running":
                self.running.result = {"done by": os.getpid()}
                self.running.state = "failed" if options.get("fails") else "done"
                self.running.error = {"problem": "no stone", "remedy": "Find some."}

        threading.Thread(target=run, daemon=True).start()
        return self.running

    def stop(self, id: str) -> Running:
        self.running.state = "stopped"
        return self.running


def work_alone(address: Address) -> None:
    work(address, Path, until_empty=True, runner=Stand)


def add(address: Address, project: str = "mill", **options: Any) -> int:
    with JobQueue(address) as queue:
        return queue.add(project, "plan", options, who="ann")


def states(address: Address) -> list[str]:
    with JobQueue(address) as queue:
        return [j.state for j in reversed(queue.all())]


def wait_for(address: Address, id: int, state: str) -> Any:
    with JobQueue(address) as queue:
        for _ in range(200):
            if (job := queue.named(id)).state == state:
                return job
            time.sleep(0.05)
    raise AssertionError(f"job {id} is {job.state}, not {state}")


def test_workers_share_the_jobs_and_each_is_done_once(address: Address) -> None:
    for n in range(12):
        add(address, project=f"p{n % 6}")
    workers = [_forked.Process(target=work_alone, args=(address,), daemon=True) for _ in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    with JobQueue(address) as queue:
        jobs = queue.all()
    # a worker ends when all that waits is of projects at which another one works, so that some may be left to that
    assert [j.state for j in jobs] == ["done"] * 12
    assert [j.attempts for j in jobs] == [1] * 12
    assert len({j.worker for j in jobs}) > 1


def test_a_job_whose_worker_was_killed_is_done_by_the_next(address: Address) -> None:
    id = add(address, seconds=30)
    worker = _forked.Process(target=work_alone, args=(address,), daemon=True)
    worker.start()
    assert wait_for(address, id, "running").attempts == 1
    with JobQueue(address) as queue:
        assert queue.take("another") is None, "somebody works at it"
        assert worker.pid is not None
        os.kill(worker.pid, signal.SIGKILL)
        worker.join()
        queue._ask("UPDATE facademap_jobs.jobs SET options = '{}'")
    for _ in range(100):
        work_alone(address)
        if states(address) == ["done"]:
            break
        time.sleep(0.05)
    with JobQueue(address) as queue:
        assert (queue.named(id).state, queue.named(id).attempts) == ("done", 2)


def test_a_job_that_breaks_its_workers_is_not_tried_for_ever(address: Address) -> None:
    id = add(address)
    for attempt in range(MOST_ATTEMPTS):
        queue = JobQueue(address)
        for _ in range(100):  # until the database has seen that the one before is gone
            if (job := queue.take("w")) is not None:
                break
            time.sleep(0.02)
        assert job is not None
        assert job.attempts == attempt + 1
        queue.close()  # gone in the midst
    for _ in range(100):
        with JobQueue(address) as queue:
            assert queue.take("w") is None
            job = queue.named(id)
        if job.state == "failed":
            break
        time.sleep(0.02)
    assert job.problem == f"its worker was gone {MOST_ATTEMPTS} times while it ran"
    with JobQueue(address) as queue:
        queue.resume(id)
        assert queue.take("w") is not None


def test_jobs_are_cancelled_resumed_and_told_why_they_failed(address: Address) -> None:
    slow, waiting, bad = add(address, seconds=30), add(address, project="kiln"), add(address, project="loft", fails=1)  # fmt: skip
    worker = threading.Thread(target=work_alone, args=(address,))
    worker.start()
    wait_for(address, slow, "running")
    with JobQueue(address) as queue:
        assert queue.cancel(waiting).state == "cancelled"
        queue.cancel(slow)
    worker.join(20)
    assert states(address) == ["cancelled", "cancelled", "failed"]
    with JobQueue(address) as queue:
        assert queue.named(bad).problem == "no stone"
        with pytest.raises(InputError, match=r"has ended \(cancelled\)"):
            queue.cancel(slow)
        assert queue.resume(waiting).state == "queued"
        with pytest.raises(InputError, match="is queued"):
            queue.resume(waiting)
    work_alone(address)
    assert states(address) == ["cancelled", "done", "failed"]


def test_no_two_workers_are_in_one_project_and_one_that_ends_puts_its_job_back(
    address: Address,
) -> None:
    id, _ = add(address, seconds=30), add(address)
    ended = threading.Event()
    worker = threading.Thread(target=work, args=(address, Path), kwargs={"runner": Stand, "ended": ended})  # fmt: skip
    worker.start()
    wait_for(address, id, "running")
    with JobQueue(address) as queue:
        assert queue.take("another") is None
    ended.set()
    worker.join(20)
    assert states(address) == ["queued", "queued"]


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(w) for w in words])
    return done.exit_code, done.output


def test_the_command_asks_works_and_refuses_in_a_line(database: str, address: Address, tmp_path: Path) -> None:  # fmt: skip
    where = f"{database}#mill"
    Project.create_in(read_address(where), tmp_path / "mill", name="mill").close()
    code, said = run("jobs", "add", where, "plan", "--cores", "1", "--json")
    assert code == 0
    assert json.loads(said)["options"] == {"limits": "job_cores=1"}
    number = json.loads(said)["id"]
    code, said = run("jobs", "work", tmp_path / "mill", "--until-empty")
    assert (code, said.splitlines()[-1]) == (0, "1 jobs")
    code, said = run("jobs", "list", database)
    assert code == 0
    # the project is empty: what the planning says of it is told as at the desk
    assert f"{number}: plan of mill for office (job_cores=1), " in said
    assert "done" in said or "; fix: " in said
    for words, problem in (
        (("add", where, "dance"), "there is no job 'dance'"),
        (("add", f"{database}#nowhere", "plan"), "no project of this database"),
        (("cancel", database, 999_999), "there is no job 999999"),
        (("cancel", database, number), "has ended"),
        (("rights", database, "nobody; --", "--may", "edit"), "there is no role"),
        (("list", tmp_path), "no project here"),
        (("work", "postgresql://ann@127.0.0.1:1/estate", "--until-empty"), "cannot be reached"),
    ):
        code, said = run("jobs", *words)
        assert (code, said.count("\n")) == (2, 1), said
        assert problem in said


def test_the_desk_puts_its_work_into_the_queue_sees_it_and_stops_it(address: Address) -> None:
    mill = dataclasses.replace(address, project="mill")
    desk = QueuedJobs(Path("mill"), mill)
    asked = desk.start("match", {"limits": "job_cores=1"}, who="ann").as_json()
    assert (asked["state"], asked["title"]) == ("running", "match blocks and repairs (waits for a worker)")  # fmt: skip
    with pytest.raises(InputError, match="waits or runs already"):
        desk.start("match", {}, who="fay")
    with pytest.raises(InputError, match="there is no limit 'cores'"):
        desk.start("plan", {"limits": "cores=1"}, who="fay")
    work_alone(address)
    done = desk.named(asked["id"]).as_json()
    assert (done["state"], done["fraction"]) == ("done", 1)
    assert "done by" in done["result"]
    again = desk.start("match", {}, who="ann").as_json()
    assert desk.stop(again["id"]).as_json()["state"] == "stopped"
    other = QueuedJobs(Path("kiln"), dataclasses.replace(address, project="kiln"))
    assert other.all() == []
    for id in (again["id"], "queue-x", "queue-999999"):
        with pytest.raises(InputError):
            other.named(id)
    assert [j.as_json()["state"] for j in desk.all()] == ["stopped", "done"]


def test_a_job_keeps_to_its_memory_and_its_cores(tmp_path: Path) -> None:
    with Project.create(tmp_path / "wall", name="Granary"):
        pass
    jobs = Jobs(tmp_path / "wall")
    with pytest.raises(InputError, match="there is no limit"):
        jobs.start("plan", {"limits": "memory=1"}, who="ann")
    job = jobs.start("plan", {"limits": "memory_mb=2"}, who="ann")
    for _ in range(400):
        if job.state != "running":
            break
        time.sleep(0.05)
    assert job.error is not None
    assert "more than 2 MB of memory" in job.error["problem"]

    told, tell = _forked.Pipe()

    def hold(child: bool) -> None:
        _keep_to_cores(1)
        kept = bytearray(120_000_000)
        if not child:
            tell.send(len(os.sched_getaffinity(0)))
            time.sleep(30)
            return
        _forked.Process(target=hold, args=(False,)).start()
        time.sleep(30)
        del kept

    holder = _forked.Process(target=hold, args=(True,))
    holder.start()
    assert told.recv() == 1, "what a job starts keeps to its cores too"
    assert holder.pid is not None
    assert memory_of_all_mb(holder.pid) > memory_mb(holder.pid) + 100
    for child in Path(f"/proc/{holder.pid}/task/{holder.pid}/children").read_text().split():
        os.kill(int(child), signal.SIGKILL)
    holder.kill()


def test_a_project_in_a_file_is_told_what_jobs_are_for(tmp_path: Path) -> None:
    with Project.create(tmp_path / "wall", name="Granary"):
        pass
    done = CliRunner().invoke(main, ["jobs", "list", str(tmp_path / "wall")])
    assert done.exit_code == 2
    assert "lies in a file" in done.output
    assert "facademap copy FOLDER" in done.output
