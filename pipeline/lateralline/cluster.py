"""The sites of a batch on a cluster of dask.distributed: the same tasks, done elsewhere.

The writer stays here and takes answers in the order of the sites, so a record is the one made
without a cluster, to the byte. Sites go by path: every worker must find them where this machine
does, on a shared disk. A worker does one site at a time, however many threads it has; a task whose
worker is lost goes to another, and one that loses several is a site that failed.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Final, Generic, TypeVar

from lateralline.errors import LaterallineError, extra
from lateralline.kept import code_digest
from lateralline.workers import Answer, WorkerLostError

T = TypeVar("T")
R = TypeVar("R")

_ANSWERS_S: Final = 20  # a scheduler within
_ONE: Final = threading.Lock()


class ClusterError(LaterallineError, ConnectionError):
    """A cluster does not answer, has no workers, or works with other code."""


class Cluster(Generic[T, R]):
    """A workforce of the workers of a scheduler."""

    def __init__(self, address: str, work: Callable[[T], R]) -> None:
        """Begin with the workers that are there.

        Raises MissingExtraError without dask.distributed, ClusterError for a scheduler that does
        not answer, has no workers, or workers whose code is not the one of this machine.
        """
        with extra("cluster", "--cluster"):
            from distributed import Client
        connect: Any = Client  # which is untyped
        try:
            self._client: Any = connect(address, timeout=_ANSWERS_S, set_as_default=False)
        except (OSError, ValueError) as e:
            raise ClusterError(f"no scheduler answers at {address} ({e})") from e
        answers = self._client.run(code_digest, on_error="return")
        # one that ended while it was asked is no worker any more
        codes = {name: code for name, code in answers.items() if not isinstance(code, OSError)}
        wrong = [e for e in codes.values() if isinstance(e, Exception)]
        others = sorted(name for name, code in codes.items() if code != code_digest())
        if not codes or others:
            self.close()
            if wrong:
                raise ClusterError(f"workers of {address} have no lateralline ({wrong[0]})")
            said = f"has other code than this machine on {', '.join(others[:5])}"
            raise ClusterError(f"the cluster at {address} {said if codes else 'has no workers'}")
        self.hands = len(codes)
        self._work = work

    def begin(self, task: T) -> Answer[R]:
        """Begin a task on a worker, or let it wait for one."""
        return _ClusterAnswer(self._client.submit(_one_at_a_time, self._work, task, pure=False))

    def close(self) -> None:
        """Leave the cluster; what is not done by now is not wanted."""
        self._client.close()


class _ClusterAnswer(Generic[R]):
    """What a task on a cluster comes to."""

    def __init__(self, future: Any) -> None:
        self._future = future

    def result(self) -> R:
        """Wait for the result; WorkerLostError when several workers were lost over it."""
        from distributed import KilledWorker

        try:
            made: R = self._future.result()
        except KilledWorker as e:
            raise WorkerLostError(f"workers were lost over it ({e})") from e
        self._future.release()
        return made


def _one_at_a_time(work: Callable[[T], R], task: T) -> R:
    with _ONE:  # PROJ and GDAL are not for threads
        return work(task)
