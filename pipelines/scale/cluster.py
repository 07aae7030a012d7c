"""Workers for the tiles: processes of this machine, or those behind a scheduler's address."""

from __future__ import annotations

import importlib.util
import logging
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from geo.errors import StudyError
from pipelines.scale.region_file import WorkersTable
from pipelines.scale.tile_run import Job, measure_slopes, run_tile
from pipelines.study.house import version

if TYPE_CHECKING:
    from distributed import Client

INSTALL = "python -m pip install 'springfill[scale]'"
TOPIC = "springfill"
_NEEDED = ("distributed", "zarr")
_CONNECT_S, _WORKER_S = 15, 30
_MEMORY_SHARE = 0.8


@dataclass(frozen=True)
class Crew:
    """The workers of a run.

    Attributes
    ----------
    client : distributed.Client
    workers : int
        How many there are (at the start).
    threads : int
        Cores that one tile may use.
    words : str
        What they are, for the record.
    """

    client: Client
    workers: int
    threads: int
    words: str


def need_libraries() -> None:
    """Stop with the command that installs what a region needs, when it is not there."""
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise StudyError(
            f"A region needs {' and '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not installed.",
            "",
            f"Run: {INSTALL}",
        )


def size_crew(table: WorkersTable, jobs: int, cores: int, memory_bytes: float) -> tuple[int, int]:
    """Return the number of local workers and the cores that each tile may use.

    One worker a core, as far as the memory allows and there are tiles; the cores are shared out among them, since
    the water balance of a tile has threads of its own.
    """
    by_memory = int(memory_bytes * _MEMORY_SHARE / (table.memory_gb * 1024**3))
    workers = table.count or max(1, min(cores, by_memory))
    workers = max(1, min(workers, jobs))
    return workers, table.threads or max(1, cores // workers)


@contextmanager
def crew(table: WorkersTable, jobs: int, *, processes: bool = True) -> Iterator[Crew]:
    """Connect to the workers; local ones end with the block.

    Parameters
    ----------
    table : WorkersTable
        With the address of a scheduler, its workers do the tiles.
    jobs : int
        Tiles to do.
    processes : bool
        False keeps a single local worker in this process.

    Raises
    ------
    StudyError
        The scheduler does not answer, has no workers, or they run another version of the program.
    """
    import dask
    from dask.system import CPU_COUNT
    from distributed import Client, LocalCluster
    from distributed.system import MEMORY_LIMIT

    if table.scheduler:
        with _connected(table.scheduler) as client:
            yield Crew(client, _ready_workers(client, table.scheduler), table.threads or 1, table.scheduler)
        return
    workers, threads = (
        size_crew(table, jobs, CPU_COUNT, MEMORY_LIMIT) if processes else (1, table.threads or CPU_COUNT)
    )
    settings = {"distributed.scheduler.allowed-failures": 1}  # a tile that kills two workers is too large for them
    with (
        dask.config.set(settings),
        LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=processes, dashboard_address=None,
            memory_limit=MEMORY_LIMIT // workers if processes else 0, silence_logs=logging.CRITICAL,
        ) as cluster,
        Client(cluster) as client,
    ):  # fmt: skip
        if processes:
            client.run(_deaf)
        yield Crew(client, workers, threads, "this machine")


def _deaf() -> None:
    """Leave Ctrl+C to the client: a terminal sends it to the workers too, and each would print a traceback."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _connected(address: str) -> Iterator[Client]:
    from distributed import Client

    try:
        client = Client(address, timeout=_CONNECT_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise StudyError(
            f"The scheduler does not answer ({type(error).__name__}).",
            address,
            "Start one with `dask scheduler`, and give the address that it prints.",
        ) from None
    with client:
        yield client


def _ready_workers(client: Client, address: str) -> int:
    """Wait for a worker, and make sure that all of them run this version."""
    try:
        client.wait_for_workers(1, timeout=_WORKER_S)
    except TimeoutError:
        raise StudyError(
            "The scheduler has no workers.", address, f"Start some with `dask worker {address} --nthreads 1`."
        ) from None
    try:
        found = set(client.run(version).values())
    except Exception as error:
        raise StudyError(
            f"The workers cannot run springfill ({type(error).__name__}: {error}).",
            address,
            "Install the same version on every worker.",
        ) from None
    if found != {version()}:
        raise StudyError(
            f"The workers run springfill {', '.join(sorted(found))}, this program is {version()}.",
            address,
            "Install the same version everywhere.",
        )
    return len(client.scheduler_info(n_workers=-1)["workers"])


def reporting_tile(job: Job) -> dict[str, Any]:
    """Run a tile on a worker, and tell the client how far it is."""
    from distributed import get_worker

    worker = get_worker()
    return run_tile(job, lambda share: worker.log_event(TOPIC, {"index": job.index, "share": share}))


def work(
    team: Crew,
    task: Callable[[Job], Any],
    jobs: Sequence[Job],
    done: Callable[[Job, Any], None],
    tell: Callable[[float], None],
) -> None:
    """Run a task for each job; `done` takes each result as it comes, `tell` the number of jobs done, in parts too.

    A worker that is lost takes the jobs that wait on it along. So jobs that were lost in company are tried again one
    by one, and only one that is lost alone has an error as its result.
    """
    shares: dict[int, float] = {}
    finished: list[Job] = []

    def heard(event: tuple[float, dict[str, Any]]) -> None:
        message = event[1]
        shares[int(message["index"])] = float(message["share"])

    def take(job: Job, result: Any) -> None:
        done(job, result)
        finished.append(job)

    def report_waiting(waiting: Sequence[Job]) -> None:
        tell(len(finished) + sum(shares.get(job.index, 0.0) for job in waiting))

    team.client.subscribe_topic(TOPIC, heard)
    try:
        for job, _ in _round(team, task, jobs, take, report_waiting):
            for _, error in _round(team, task, [job], take, report_waiting):
                take(job, error)
        report_waiting([])
    finally:
        team.client.unsubscribe_topic(TOPIC)


def _round(
    team: Crew,
    task: Callable[[Job], Any],
    jobs: Sequence[Job],
    take: Callable[[Job, Any], None],
    report_waiting: Callable[[Sequence[Job]], None],
) -> list[tuple[Job, BaseException]]:
    """Run the jobs together; `take` gets each result or error, but those of lost workers are returned."""
    from distributed import KilledWorker, wait

    lost: list[tuple[Job, BaseException]] = []
    futures = {team.client.submit(task, job, pure=False): job for job in jobs}
    waiting = set(futures)
    try:
        while waiting:
            try:
                ready, waiting = wait(waiting, timeout=1.0, return_when="FIRST_COMPLETED")
            except TimeoutError:
                ready = set()
            for future in ready:
                job, error = futures[future], future.exception()
                if isinstance(error, KilledWorker):
                    lost.append((job, error))
                else:
                    take(job, error if error is not None else future.result())
            report_waiting([futures[future] for future in waiting])
    finally:
        team.client.cancel([future for future in futures if not future.done()])
    return lost


def lost_worker(job: Job, error: BaseException) -> dict[str, Any]:
    """Return the record of a tile whose worker did not come back."""
    what = f"The worker of this tile ended before the tile was done ({type(error).__name__})."
    fix = "It may have run out of memory: give memory_gb under [workers] more, or use smaller tiles."
    return {"status": "failed", "what": what, "where": "", "fix": fix, "key": job.key}


__all__ = ["Crew", "crew", "lost_worker", "measure_slopes", "need_libraries", "reporting_tile", "size_crew", "work"]
