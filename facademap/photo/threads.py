"""Work spread over a few threads, results in order, a bounded number waiting in memory.

Meanwhile OpenCV and the linear algebra library start no threads of their own: several layers of threads on
few cores cost three times the processor time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

import cv2
from threadpoolctl import threadpool_limits

__all__ = ["in_order", "single_threaded_libraries"]

Item = TypeVar("Item")
Result = TypeVar("Result")


@contextmanager
def single_threaded_libraries() -> Iterator[None]:
    """No threads within OpenCV and the linear algebra library while the block runs."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        with threadpool_limits(limits=1):
            yield
    finally:
        cv2.setNumThreads(before)


def in_order(
    work: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    threads: int = 2,
    ahead: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Iterator[tuple[Item, Result]]:
    """Results of work on every item, in the order of the items.

    Parameters
    ----------
    work : callable
    items : iterable
    threads : int
    ahead : int
        Results that may wait, as a multiple of the threads.
    progress : callable, optional
        Called with the fraction handed out, now and then.

    Yields
    ------
    item
    result
    """
    everything = list(items)
    pending: deque[tuple[Item, Future[Result]]] = deque()
    with single_threaded_libraries(), ThreadPoolExecutor(threads) as pool:
        try:
            for number, item in enumerate(everything):
                pending.append((item, pool.submit(work, item)))
                if len(pending) > ahead * threads:
                    done, future = pending.popleft()
                    yield done, future.result()
                if progress is not None and number % 16 == 0:
                    progress(number / len(everything))
            while pending:
                done, future = pending.popleft()
                yield done, future.result()
        finally:
            # what was not asked for any more need not be made
            for _, future in pending:
                future.cancel()
