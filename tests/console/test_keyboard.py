"""Bytes of a terminal as keys, and a terminal that is as before."""

import contextlib
import os
import pty
import termios

import pytest

from broker_bridge.console.keyboard import Keyboard, keys


@pytest.mark.parametrize(
    ("typed", "named"),
    [
        (b"qpN?0", ["q", "p", "N", "?", "0"]),
        (b" ", ["space"]),
        (b"\x1b", ["escape"]),
        (b"\x1b[A\x1b[B\x1bOA", ["up", "down", "up"]),
        (b"\x1b[5~\x1b[6~q", ["page up", "page down", "q"]),
        (b"\x1b[1;5Cq", ["q"]),  # Ctrl-right: not ours, dropped whole
        (b"\x1b[200~", []),
        (b"\x1b[", []),
        (b"\r\n\t\x00\xc3\xa4", []),
    ],
)
def test_keys(typed: bytes, named: list[str]) -> None:
    assert keys(typed) == named


def test_the_terminal_is_as_before_also_after_an_error() -> None:
    master, slave = pty.openpty()
    try:
        before = termios.tcgetattr(slave)
        with contextlib.suppress(RuntimeError), Keyboard(slave) as keyboard:
            during = termios.tcgetattr(slave)
            assert not during[3] & (termios.ICANON | termios.ECHO)
            assert during[3] & termios.ISIG, "Ctrl-C still interrupts"
            os.write(master, b"n")
            assert keyboard.read() == ["n"]
            raise RuntimeError
        assert termios.tcgetattr(slave) == before
    finally:
        os.close(slave)
        os.close(master)


def test_a_terminal_that_is_gone_presses_q() -> None:
    master, slave = pty.openpty()
    with Keyboard(slave) as keyboard:
        os.close(master)
        assert keyboard.read() == ["q"]
    os.close(slave)
