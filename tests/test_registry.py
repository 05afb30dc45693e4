"""The house itself: every module says what it is, keeps its size, and every table covers what it is a table of."""

import ast
import re
import tomllib
from pathlib import Path
from typing import Any, get_args

import pytest

from broker_bridge.adapters.registry import kinds
from broker_bridge.config import AnyAdapter, AnyOutlet
from broker_bridge.outlets.registry import kinds as outlet_kinds

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "broker_bridge"
MODULES = sorted(path.relative_to(ROOT).as_posix() for path in PACKAGE.rglob("*.py"))

LONGEST = 600
REASONS: dict[str, str] = {
    "broker_bridge/config.py": "every setting of the plant stands in one place, where a typing mistake is told",
}
"""Modules that are longer, and why each of them is one idea all the same."""


@pytest.mark.parametrize("module", MODULES)
def test_a_module_says_what_it_is(module: str) -> None:
    assert ast.get_docstring(ast.parse((ROOT / module).read_bytes())), f"{module} has no docstring"


@pytest.mark.parametrize("module", MODULES)
def test_a_module_keeps_its_size(module: str) -> None:
    lines = len((ROOT / module).read_bytes().splitlines())
    assert lines <= LONGEST or module in REASONS, (
        f"{module} has {lines} lines: split it, or say why in REASONS"
    )


def test_reasons_are_for_modules_that_need_one() -> None:
    for module in REASONS:
        assert len((ROOT / module).read_bytes().splitlines()) > LONGEST


def test_a_folder_of_modules_is_a_package() -> None:
    folders = {(ROOT / module).parent for module in MODULES}
    assert [folder for folder in folders if not (folder / "__init__.py").exists()] == []


@pytest.mark.parametrize("word", ["utils", "util", "helpers", "helper", "common", "misc", "manager"])
def test_no_module_is_a_drawer(word: str) -> None:
    assert [module for module in MODULES if word in Path(module).stem.split("_")] == []


def test_test_files_have_names_of_their_own() -> None:
    """pytest imports them side by side, without packages."""
    names = [path.name for path in (ROOT / "tests").rglob("*.py") if path.name != "conftest.py"]
    assert sorted(names) == sorted(set(names))
    assert "__init__.py" not in names


def test_every_configured_kind_has_an_adapter() -> None:
    (union, *_) = get_args(AnyAdapter)
    assert kinds() == set(get_args(union) or (union,))


def test_every_configured_kind_has_an_outlet() -> None:
    union = (get_args(AnyOutlet) or (AnyOutlet,))[0]
    assert outlet_kinds() == set(get_args(union) or (union,))


def contracts() -> dict[str, dict[str, Any]]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return {contract["name"]: contract for contract in settings["tool"]["importlinter"]["contracts"]}


def test_every_folder_stands_on_a_floor() -> None:
    """import-linter says the same; this says it before the folder holds its first import."""
    layers = contracts()["Floors: roof imports ground, never the reverse"]["layers"]
    floors = {word for layer in layers for word in re.findall(r"\w+", layer)}
    there = {path.stem for path in PACKAGE.glob("*.py")} | {
        path.parent.name for path in PACKAGE.glob("*/__init__.py")
    }
    assert there - {"__init__"} <= floors


def test_clocks_are_banned_where_input_and_output_are() -> None:
    """The lint rule that bans the clock names the same floors as the import contract."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    (pattern,) = [
        glob for glob in settings["tool"]["ruff"]["lint"]["per-file-ignores"] if glob.startswith("!")
    ]
    banned = {
        part.removesuffix(".py").removesuffix("/*")
        for glob in re.findall(r"[^{},]+(?:\{[^}]*\}[^{},]*)*", pattern.removeprefix("!broker_bridge/{")[:-1])
        for part in spread(glob)
    }
    pure = contracts()["Pure floors do no I/O"]["source_modules"]
    modules = {module.removeprefix("broker_bridge.").removesuffix(".*") for module in pure}
    assert banned == {module.replace(".", "/") for module in modules}


def spread(glob: str) -> list[str]:
    """A glob with one set of alternatives as plain globs."""
    match = re.fullmatch(r"([^{]*)\{([^}]*)\}(.*)", glob)
    return [glob] if match is None else [match[1] + word + match[3] for word in match[2].split(",")]


def test_nobody_waits_in_a_way_that_can_swallow_a_stop() -> None:
    """Until Python 3.12 asyncio.wait_for drops a cancellation that comes as its work ends; asyncio.timeout does not."""
    package = Path(__file__).resolve().parents[1] / "broker_bridge"
    found = [
        str(path) for path in package.rglob("*.py") if "asyncio.wait_for(" in path.read_text(encoding="utf-8")
    ]
    assert found == []
