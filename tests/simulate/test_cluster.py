"""A cluster gives the same verdicts as one process, also if one of its workers is killed."""

import os
import signal

import pytest
from distributed import Client, LocalCluster

from bridge.simulate.campaign import spread, tasks_of
from bridge.simulate.outcome import Outcome, as_json, summed
from bridge.simulate.year import simulate

TASKS = tasks_of(0.0008, 5, faults=True, reservoirs=6, station_only=True)


def verdict(found: dict[int, Outcome]) -> str:
    return as_json(summed(5, len(TASKS), 0.0008, [found[index] for index in range(len(TASKS))]))


@pytest.mark.slow
def test_a_worker_that_is_killed_changes_no_verdict() -> None:
    found: dict[int, Outcome] = {}
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        with Client(cluster, set_as_default=False) as client:
            killed = min(client.run(os.getpid).values())
        address = cluster.scheduler_address.removeprefix("tcp://")
        for index, outcome in spread(simulate, TASKS, executor=f"dask://{address}"):
            if not found:
                os.kill(killed, signal.SIGKILL)
            found[index] = outcome
    assert verdict(found) == verdict(dict(spread(simulate, TASKS, jobs=1)))
