"""The fuzzer of tools/fuzz for two seconds: the core gives messages and errors of ours, and nothing else."""

import random
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "tools" / "fuzz"))

from fuzz_transfer import anything, heard, once, pieces

from broker_bridge.adapters.transfer.protocol import MessageReader
from broker_bridge.adapters.transfer.protocol.table import MESSAGES

SECONDS = 2.0


def test_two_seconds_without_a_finding() -> None:
    counts: Counter[str] = Counter()
    until = time.monotonic() + SECONDS
    tries = 0
    while time.monotonic() < until or tries < 60:
        once(random.Random(f"test/{tries}"), counts)
        tries += 1
    for kind in ("bytes", "spoilt", "talk", "out of order"):
        assert counts[f"tries: {kind}"], kind
    assert all(counts[kind] for kind in ("messages", "protocol errors", "said and heard"))


def test_every_message_can_be_made() -> None:
    rng = random.Random(3)
    assert {type(anything(rng, name)).__name__ for name in MESSAGES} == set(MESSAGES)


def test_a_finding_is_found() -> None:
    """A reader that loses bytes is noticed."""

    class Losing(MessageReader):
        @property
        def rest(self) -> bytes:
            return b"left"

    with pytest.raises(AssertionError, match="bytes are left"):
        heard(Losing(), pieces(random.Random(1), b"abc"), Counter())
