"""The floor rule and the public names."""

import ast
import sys
from pathlib import Path

import broker_bridge.simulate as simulate

FOLDER = Path(simulate.__file__).parent


def test_imports_only_errors_and_the_standard_library() -> None:
    files = sorted(FOLDER.rglob("*.py"))
    assert len(files) > 30
    for file in files:
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0
                names = [node.module or ""]
            for name in names:
                own = name.startswith("broker_bridge.simulate") or name == "broker_bridge.errors"
                assert own or name.split(".")[0] in sys.stdlib_module_names, (file.name, name)


def test_the_model_is_pure() -> None:
    forbidden = {"asyncio", "socket", "time", "os", "pathlib", "threading", "subprocess", "logging"}
    for file in (FOLDER / "model").glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                assert not forbidden & {alias.name for alias in node.names}, file.name
            elif isinstance(node, ast.ImportFrom):
                assert node.module not in forbidden, file.name


def test_public_names_are_sorted_and_exist() -> None:
    assert simulate.__all__ == sorted(simulate.__all__, key=lambda name: (not name.isupper(), name))
    assert all(hasattr(simulate, name) for name in simulate.__all__)
