"""One thread, jobs in order, and an end that does not wait for those still in the queue."""

from __future__ import annotations

import threading

from fleetdb.report.worker import Worker


def test_jobs_are_done_one_after_another_in_the_order_they_came() -> None:
    done: list[int] = []
    threads: set[int] = set()
    finished = threading.Event()

    def work(job: int) -> None:
        threads.add(threading.get_ident())
        done.append(job)
        if job == 9:
            finished.set()

    worker = Worker("in-order", work)
    for job in range(10):
        worker.put(job)
    worker.start()
    assert finished.wait(10)
    worker.stop()
    assert done == list(range(10))
    assert len(threads) == 1 and threading.get_ident() not in threads


def test_stopping_ends_the_job_that_looks_for_it_and_begins_no_other() -> None:
    begun: list[str] = []
    underway = threading.Event()
    stopped = threading.Event()

    def work(job: str) -> None:
        begun.append(job)
        underway.set()
        while not worker.is_stopping:
            stopped.wait(0.005)

    worker: Worker[str] = Worker("stopping", work)
    worker.start()
    worker.put("first")
    worker.put("second")
    assert underway.wait(10)
    worker.stop()
    assert begun == ["first"]
