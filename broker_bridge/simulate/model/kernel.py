"""A discrete-event kernel: virtual seconds, processes as generators, signals to wait on.

A process yields either a number (hold for that many seconds) or a `Signal` (wait until it is fired).
Processes due at the same instant run in the order in which they were scheduled, so a run is a pure
function of its inputs.
"""

import heapq
from collections.abc import Generator
from typing import TypeAlias, TypeVar

T = TypeVar("T")


class Signal:
    """Wakes every process that waits on it. Carries no value: a woken process looks again for itself."""

    __slots__ = ("_kernel", "_waiting")

    def __init__(self, kernel: "Kernel") -> None:
        self._kernel = kernel
        self._waiting: list[Process] = []

    def wait(self, process: "Process") -> None:
        self._waiting.append(process)

    def fire(self) -> None:
        if self._waiting:
            woken, self._waiting = self._waiting, []
            for process in woken:
                self._kernel.schedule(self._kernel.now, process)


Step: TypeAlias = Generator["float | Signal", None, T]
"""A part of a process that ends with a value; use it with `yield from`."""

Process: TypeAlias = Step[None]


class Kernel:
    """The clock and the agenda. `now` is in seconds since the start of the run and never goes back."""

    __slots__ = ("_agenda", "_order", "now")

    def __init__(self) -> None:
        self.now = 0.0
        self._agenda: list[tuple[float, int, Process]] = []
        self._order = 0

    @property
    def busy(self) -> bool:
        """Whether anything besides the process that asks will happen of its own accord."""
        return bool(self._agenda)

    def schedule(self, at: float, process: Process) -> None:
        """Resume `process` at `at` (not before now)."""
        self._order += 1
        heapq.heappush(self._agenda, (at, self._order, process))

    def start(self, process: Process) -> None:
        """Run `process` from now on."""
        self.schedule(self.now, process)

    def step(self) -> bool:
        """Resume the next process. False when nothing is left to do."""
        if not self._agenda:
            return False
        self.now, _, process = heapq.heappop(self._agenda)
        wish = next(process, None)
        if wish is None:
            return True
        if isinstance(wish, Signal):
            wish.wait(process)
        elif wish < 0:
            raise ValueError(f"a process asked to hold for {wish} s; time does not run backwards")
        else:
            self.schedule(self.now + wish, process)
        return True
