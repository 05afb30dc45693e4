"""A bar on standard error for what takes longer than a second; silent where nobody looks."""

import sys
import time
from collections.abc import Callable
from typing import Final

_PATIENCE_S: Final = 1.0
_PACE_S: Final = 0.2
_WIDTH: Final = 30


class Bar:
    """`update` as often as you like, `clear` before anything else is printed."""

    def __init__(self, *, quiet: bool = False) -> None:
        self._on = sys.stderr.isatty() and not quiet
        self._next = time.monotonic() + _PATIENCE_S
        self._drawn = False

    def update(self, done: float, text: str) -> None:
        """`done`: from 0 to 1."""
        now = time.monotonic()
        if not self._on or now < self._next:
            return
        self._next = now + _PACE_S
        filled = int(min(max(done, 0.0), 1.0) * _WIDTH)
        line = f"{'=' * filled:<{_WIDTH}}|{done:4.0%} {text}"
        print(f"\r\x1b[K{line[:78]}", end="", file=sys.stderr, flush=True)
        self._drawn = True

    def clear(self) -> None:
        """Take the bar away."""
        if self._drawn:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
            self._drawn = False


def counting(what: str, of: str) -> Callable[[int, int], None]:
    """A bar for work that is counted: "settling 120 of 400 identifiers"."""
    bar = Bar()

    def tell(done: int, there: int) -> None:
        bar.update(done / there if there else 1.0, f"{what} {done} of {there} {of}")
        if done >= there:
            bar.clear()

    return tell
