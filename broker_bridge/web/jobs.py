"""Questions that take longer than somebody waits for a page: asked in the background, kept for as long as nothing new is recorded."""

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, Final, NamedTuple

from broker_bridge.errors import StoreUnavailable
from broker_bridge.queries.record import Record

log = logging.getLogger(__name__)

_AT_ONCE: Final = 2
"""They take a core each, and the service has others to answer."""
_WAITING: Final = 12
_KEPT: Final = 16
"""Answers: those of a large record are large."""

Told = Callable[[float, str], None]
"""Takes the share that is done, from 0 to 1, and what is being done."""


class Working(NamedTuple):
    """It is not done yet."""

    share: float
    what: str


class _Stopped(Exception):
    pass


class _Job:
    def __init__(self) -> None:
        self.done = threading.Event()
        self.working = Working(0.0, "waiting for its turn")
        self.answer: Any = None
        self.error: Exception | None = None


class Jobs:
    """`opened` opens a record for the thread that asks it."""

    def __init__(self, opened: Callable[[], Record]) -> None:
        self._opened = opened
        self._lock = threading.Lock()
        self._turns = threading.BoundedSemaphore(_AT_ONCE)
        self._jobs: OrderedDict[Hashable, _Job] = OrderedDict()
        self._stopped = threading.Event()

    def ask(self, key: Hashable, question: Callable[[Record, Told], Any], patience_s: float) -> Any:
        """The answer, or Working where it takes longer. Raises what the question raises; StoreUnavailable where too many wait.

        `key` has to name the question and the commit it is asked as of: who asks with the same one gets the same answer.
        """
        with self._lock:
            job = self._jobs.get(key)
            if job is None:
                if sum(not one.done.is_set() for one in self._jobs.values()) >= _WAITING:
                    raise StoreUnavailable(
                        "too many long questions are being answered: try again in a minute"
                    )
                job = self._jobs[key] = _Job()
                threading.Thread(target=self._work, args=(job, question), name="web job", daemon=True).start()
            self._jobs.move_to_end(key)
            self._forget()
        if not job.done.wait(patience_s):
            return job.working
        if job.error is not None:
            with self._lock:
                self._jobs.pop(key, None)  # whoever asks again may have more luck
            raise job.error
        return job.answer

    def stop(self) -> None:
        """Let all of them end as soon as they tell how far they are."""
        self._stopped.set()

    def _forget(self) -> None:
        for key in [key for key, job in self._jobs.items() if job.done.is_set()][
            : max(0, len(self._jobs) - _KEPT)
        ]:
            del self._jobs[key]

    def _work(self, job: _Job, question: Callable[[Record, Told], Any]) -> None:
        def told(share: float, what: str) -> None:
            if self._stopped.is_set():
                raise _Stopped
            job.working = Working(min(max(share, 0.0), 1.0), what)

        try:
            with self._turns, self._opened() as record:
                told(0.0, "reading the record")
                job.answer = question(record, told)
        except _Stopped:
            job.error = StoreUnavailable("the service is being stopped")
        except Exception as error:
            job.error = error
        finally:
            job.done.set()
