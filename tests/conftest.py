"""What may not be on this machine is skipped in plain sight; where it has to be there, its absence fails.

BROKER_BRIDGE_REQUIRE=1 (the build machine) turns a missing server into a failure.
"""

from pathlib import Path

import pytest
from hypothesis import settings
from rabbit import authorities, rabbit
from servers import broker, embedded, mosquitto, require

__all__ = ["authorities", "broker", "embedded", "mosquitto", "rabbit"]

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"

# The same examples in every run: a test that fails once fails always. Deadlines would test the machine.
settings.register_profile("project", deadline=None, derandomize=True)
settings.load_profile("project")


def pytest_runtest_setup(item: pytest.Item) -> None:
    for marker in item.iter_markers("server"):
        (name,) = marker.args
        require(name)
    for marker in item.iter_markers("shared"):
        (folder,) = marker.args
        if not (SHARED / folder).is_dir():
            pytest.skip(f"open data are not on this machine: ../shared/data/{folder}")


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of open data; ask with the marker `shared` for the part that a test needs."""
    return SHARED
