"""Tells a service manager that the roles run, and that their event loop still turns.

The protocol of sd_notify(3): datagrams to the socket that NOTIFY_SOCKET names. Where nobody asked, nothing is sent.
"""

import asyncio
import contextlib
import os
import socket
from collections.abc import Collection, Mapping
from typing import Final

_PATIENT: Final = 3.0
"""Signs of life in one watchdog interval: one that comes late is not yet a reason to kill."""


class Service:
    """`started` with each role; `live` beside them, in their event loop; `stopping` when told to end."""

    def __init__(self, roles: Collection[str], environment: Mapping[str, str] = os.environ) -> None:
        """Raises nothing: a wrong variable of the service manager is as good as none."""
        self._waiting = set(roles)
        self._roles = ", ".join(roles)
        self._to = environment.get("NOTIFY_SOCKET", "")
        self._every_s = _interval(environment) / _PATIENT

    def started(self, role: str) -> None:
        """A role has started; the service is ready with the last of them."""
        self._waiting.discard(role)
        if self._waiting:
            self._send(f"STATUS=starting; waiting for {', '.join(sorted(self._waiting))}")
        else:
            self._send(f"READY=1\nSTATUS=running: {self._roles}")

    def refused(self, role: str) -> None:
        """A role that cannot start as configured, and is not waited for: the others run."""
        if role in self._waiting:
            self._roles += f" (not yet: {role})"
            self.started(role)

    async def live(self) -> None:
        """Send signs of life until cancelled; returns at once where none are wanted."""
        while self._every_s:
            self._send("WATCHDOG=1")
            await asyncio.sleep(self._every_s)

    def stopping(self) -> None:
        """What was taken in is being written to the end."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if not self._to:
            return
        name = "\0" + self._to[1:] if self._to.startswith("@") else self._to
        # A service manager that went away must not end the recording.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as speaking:
            speaking.setblocking(False)
            speaking.sendto(text.encode(), name)


def _interval(environment: Mapping[str, str]) -> float:
    """Seconds after which the service manager kills what gives no sign; 0 where it does not, or means another process."""
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return 0.0
    text = environment.get("WATCHDOG_USEC", "0")
    return int(text) / 1e6 if text.isascii() and text.isdigit() else 0.0
