"""Spread independent jobs over processes; the answers never depend on how many."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from typing import Any, Self

from fencemap.errors import PipelineError

__all__ = ["Workers"]


class Workers:
    """A pool that is only started when there is more than one job and worker."""

    def __init__(self, count: int) -> None:
        if count < 1:
            raise PipelineError(
                "there must be at least one worker", remedy="Give --workers 1 or more."
            )
        self.count = count
        self._pool: Executor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)

    def map(self, function: Callable[..., Any], jobs: Sequence[Any]) -> Iterator[Any]:
        """Yield the result of each job in the order of the jobs."""
        if self.count == 1 or len(jobs) < 2:
            yield from map(function, jobs)
            return
        yield from self._started().map(function, jobs)

    def _started(self) -> Executor:
        if self._pool is None:
            from fencemap.guard import harden

            # Processes are spawned, not forked: native libraries keep threads that a fork would break.
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(self.count, mp_context=context, initializer=harden)
        return self._pool
