"""Puts the histories of boards in order in the background, where that would take longer than somebody waits for a page."""

import logging
import threading
from collections.abc import Callable
from typing import Final

from broker_bridge.errors import BridgeError
from broker_bridge.queries.known import unsettled
from broker_bridge.queries.record import Record
from broker_bridge.queries.settling import settle

log = logging.getLogger(__name__)

FEW: Final = 30
"""So many identifiers are settled while somebody waits."""


class Settling:
    """One worker at most. `opened` opens a record for its own thread."""

    def __init__(self, opened: Callable[[], Record]) -> None:
        self._opened = opened
        self._lock = threading.Lock()
        self._worker: threading.Thread | None = None
        self._stopped = threading.Event()
        self._first = 0

    def left(self, record: Record) -> tuple[int, int] | None:
        """None where a question can be answered now; else how many of how many identifiers are settled, and a worker goes on."""
        dirty = unsettled(record)
        with self._lock:
            working = self._worker is not None and self._worker.is_alive()
            if dirty <= FEW and not (working and dirty):
                return None
            if not working:
                self._first = dirty
                self._worker = threading.Thread(target=self._work, name="web settling", daemon=True)
                self._worker.start()
            self._first = max(self._first, dirty)
            return self._first - dirty, self._first

    def stop(self) -> None:
        """Let the worker end with what it is doing."""
        self._stopped.set()
        if self._worker is not None:
            self._worker.join()

    def _work(self) -> None:
        try:
            with self._opened() as record:
                while not self._stopped.is_set() and not settle(record, once=True):
                    pass
        except BridgeError as error:
            # Whoever asks next begins anew; what keeps it from being done is told to them.
            log.warning("histories are not put in order: %s", error)
