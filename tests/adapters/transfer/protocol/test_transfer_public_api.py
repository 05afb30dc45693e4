"""What the protocol core offers, and what it must not touch."""

import ast
from pathlib import Path

import pytest

import broker_bridge.adapters.transfer.protocol as protocol
from broker_bridge.adapters.transfer.protocol.table import MESSAGES

MODULES = sorted(Path(protocol.__file__).parent.glob("*.py"))


def test_all_is_every_public_name_and_every_message() -> None:
    submodules = {path.stem for path in MODULES}
    public = {name for name in vars(protocol) if not name.startswith("_")} - submodules
    # `diagram` is both a module and the function in it.
    assert set(protocol.__all__) == public | {"diagram"}
    assert callable(protocol.diagram)
    assert set(MESSAGES) <= set(protocol.__all__)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_core_is_pure(path: Path) -> None:
    imported = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            imported |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add((node.module or "").split(".")[0])
    assert not imported & {"asyncio", "socket", "time", "logging", "random", "os", "pathlib", "threading"}
