"""Mosquitto as a process that can be ill-treated; ports, processes and waiting."""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from roles import end_with_parent


class Mosquitto:
    """Debian's broker, persistence as its maintainers ship it, in a process of its own."""

    name = "broker"

    def __init__(self, folder: Path, store: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        store.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.store = store
        self.peak_kb = 0
        self._conf = folder / "mosquitto.conf"
        self._log = folder / "mosquitto.log"
        self._conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {self.store}/\nmax_queued_messages 100000\nmax_inflight_messages 500\n"
            f"user {os.environ.get('USER', 'root')}\n",
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it on its port."""
        program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
        if program is None:
            raise RuntimeError("mosquitto is not on this machine: apt-get install mosquitto")
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [program, "-c", str(self._conf)], stdout=log, stderr=log, preexec_fn=end_with_parent
            )

    def wait_ready(self) -> None:
        """Wait until it listens."""
        until(lambda: not _free(self.port), 20, "mosquitto listens")

    def kill(self) -> None:
        """kill -9."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """An orderly end."""
        self.thaw()
        self._end(signal.SIGTERM)

    def freeze(self) -> None:
        """SIGSTOP."""
        if self._process is not None:
            self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """SIGCONT."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)

    def ended(self) -> bool:
        """Whether it ended by itself."""
        return self._process is not None and self._process.poll() is not None

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(20)
            self._process = None


def until(condition: Callable[[], object], patience_s: float, what: str | Callable[[], str]) -> None:
    """Wait for a condition. Raises TimeoutError."""
    deadline = time.monotonic() + patience_s
    while not condition():
        if time.monotonic() > deadline:
            raise TimeoutError(
                f"waited {patience_s:.0f} s in vain: {what if isinstance(what, str) else what()}"
            )
        time.sleep(0.02)


def free_port() -> int:
    """A port on loopback that nobody uses at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def alive(pid: int) -> bool:
    """Whether a process runs; one that has ended and was not fetched yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def _free(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) != 0
