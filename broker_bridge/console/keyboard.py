"""Single keys from a terminal, and the terminal as it was before, however this ends."""

import os
from types import TracebackType
from typing import Any, Final

_SEQUENCES: Final = {
    b"\x1b[A": "up",
    b"\x1bOA": "up",
    b"\x1b[B": "down",
    b"\x1bOB": "down",
    b"\x1b[5~": "page up",
    b"\x1b[6~": "page down",
    b"\x1b[H": "home",
}
_CSI: Final = b"\x1b["


class Keyboard:
    """Within the `with` block keys come one by one and are not echoed; Ctrl-C still interrupts.

    Ctrl-Z is off meanwhile: a stopped program would leave the shell with a terminal that does not echo.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._before: list[Any] | None = None

    def __enter__(self) -> "Keyboard":
        import termios

        self._before = termios.tcgetattr(self._descriptor)
        now = termios.tcgetattr(self._descriptor)
        now[3] &= ~(termios.ICANON | termios.ECHO)
        now[6][termios.VMIN], now[6][termios.VTIME] = 1, 0
        now[6][termios.VSUSP] = bytes([os.fpathconf(self._descriptor, "PC_VDISABLE")])
        termios.tcsetattr(self._descriptor, termios.TCSANOW, now)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        import contextlib
        import termios

        if self._before is not None:
            with contextlib.suppress(termios.error):  # the terminal itself may be gone
                # Keys that were typed and not read would be commands to the shell.
                termios.tcsetattr(self._descriptor, termios.TCSAFLUSH, self._before)

    def read(self) -> list[str]:
        """The keys that lie ready; waits for the first. `q` at the end of input: nobody can press it any more."""
        try:
            typed = os.read(self._descriptor, 256)
        except OSError:
            typed = b""
        return keys(typed) if typed else ["q"]


def keys(typed: bytes) -> list[str]:
    """Bytes of a terminal as names of keys; sequences that are not known are dropped whole."""
    found: list[str] = []
    while typed:
        sequence = next((known for known in _SEQUENCES if typed.startswith(known)), None)
        if sequence is not None:
            found.append(_SEQUENCES[sequence])
            typed = typed[len(sequence) :]
        elif typed.startswith(_CSI):
            # ECMA-48, 5.4: parameters and intermediates, then one final byte from 0x40 to 0x7E.
            end = next((place for place, byte in enumerate(typed[2:], 2) if 0x40 <= byte <= 0x7E), len(typed))
            typed = typed[end + 1 :]
        elif typed.startswith(b"\x1b"):
            found.append("escape")
            typed = typed[1:]
        else:
            if 0x20 <= typed[0] < 0x7F:
                found.append("space" if typed[:1] == b" " else chr(typed[0]))
            typed = typed[1:]
    return found
