"""What may not be on this machine is skipped in plain sight; where it has to be there, its absence fails.

BROKER_BRIDGE_REQUIRE=1 (the build machine) turns a missing server into a failure.
"""

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import settings

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"

HOW_TO_GET = {"mosquitto": "apt-get install mosquitto mosquitto-clients"}

# The same examples in every run: a test that fails once fails always. Deadlines would test the machine.
settings.register_profile("project", deadline=None, derandomize=True)
settings.load_profile("project")


def pytest_runtest_setup(item: pytest.Item) -> None:
    for marker in item.iter_markers("server"):
        (name,) = marker.args
        if shutil.which(name) is None:
            reason = f"{name} is not on this machine: {HOW_TO_GET.get(name, 'install it')}"
            if os.environ.get("BROKER_BRIDGE_REQUIRE") == "1":
                pytest.fail(reason)
            pytest.skip(reason)
    for marker in item.iter_markers("shared"):
        (folder,) = marker.args
        if not (SHARED / folder).is_dir():
            pytest.skip(f"open data are not on this machine: ../shared/data/{folder}")


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of open data; ask with the marker `shared` for the part that a test needs."""
    return SHARED
