"""What the documents promise is there: every command with its help, every tool, every file they name."""

import argparse
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.adapters.transfer.protocol import diagram
from broker_bridge.cli.main import COMMANDS, build_parser
from broker_bridge.config import load

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
PAGES = [
    README,
    ROOT / "DEVELOPERS.md",
    ROOT / "deploy" / "INTEGRATORS_GUIDE.md",
    ROOT / "schemas" / "CHANGES.md",
]

every_command = pytest.mark.parametrize("name", COMMANDS)
every_page = pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)


def parser_of(name: str) -> argparse.ArgumentParser:
    (commands,) = [
        action for action in build_parser(name)._actions if isinstance(action, argparse._SubParsersAction)
    ]
    return commands.choices[name]


@every_command
def test_a_command_has_help_with_an_example(name: str) -> None:
    told = parser_of(name).format_help()
    assert re.search(rf"example: broker-bridge {name}\b", told), f"{name} --help shows no example"


@every_command
def test_an_example_in_the_help_can_be_typed(name: str) -> None:
    (line,) = re.findall(r"example: broker-bridge (.*)", parser_of(name).format_help())
    assert build_parser(name).parse_args(line.split("#")[0].split()).command == name


@every_command
def test_every_option_says_what_it_does(name: str) -> None:
    def check(parser: argparse.ArgumentParser) -> None:
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for child in action.choices.values():
                    check(child)
            else:
                assert action.help, f"{parser.prog}: {action.option_strings or action.dest} has no help"

    check(parser_of(name))


@every_command
def test_every_command_answers_as_json(name: str) -> None:
    """README: all take --json; where a command has parts, each of them does."""
    parser = parser_of(name)
    parts = [action.choices for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    for told in [part.format_help() for part in parts[0].values()] if parts else [parser.format_help()]:
        assert "--json" in told


@every_command
def test_a_command_is_in_the_readme(name: str) -> None:
    assert re.search(rf"broker-bridge {name}\b", README.read_text(encoding="utf-8"))


@every_page
def test_a_tool_that_a_page_names_is_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for name in re.findall(r"\btools/([a-z_]+(?:/[a-z_]+)?(?:\.py)?)", text):
        path = ROOT / "tools" / name
        assert path.exists() or path.with_suffix(".py").exists(), f"tools/{name} is not there"


@every_page
def test_a_command_line_in_a_page_can_be_typed(page: Path) -> None:
    """Command lines in blocks of code, as far as they are ours."""
    blocks = re.findall(r"^```[a-z]*\n(.*?)^```", page.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)
    lines = re.findall(r"^(?:\$ )?broker-bridge ([^#|>&\n]+)", "\n".join(blocks), re.MULTILINE)
    for line in lines:
        words = line.replace('"', "").split()
        try:
            build_parser().parse_args(words)
        except SystemExit:
            pytest.fail(f"{page.name} shows a command line that is refused: broker-bridge {line}")


@every_page
def test_a_configuration_in_a_page_loads(page: Path, tmp_path: Path) -> None:
    for block in re.findall(
        r"^```toml\n(.*?)^```", page.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    ):
        if "[plant]" in block:
            path = tmp_path / "plant.toml"
            path.write_text(block, encoding="utf-8")
            load(path)


@every_page
def test_a_link_to_a_file_leads_there(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_the_transfer_diagram_is_the_table_s() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (drawn,) = re.findall(r"<!-- transfer diagram -->\n```mermaid\n(.*?)\n```", text, re.DOTALL)
    assert drawn == diagram().strip()


def test_the_readme_s_mapping_reads_the_file_it_is_for() -> None:
    (text,) = re.findall(r"```toml\n(name = .*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    mapping = compile_mapping(text, "README.md")
    content = b"Board;Program;Start;Result\nHW-000123;P1;2026-03-02 06:00:00;NG\n"
    reading = read_bytes(
        mapping, content, "a.csv", adapter="aoi", station="aoi-1", modified=datetime.now(UTC)
    )
    [taking] = list(reading)
    assert (taking.statements[0].subject, taking.statements[0].data.outcome) == ("HW-000123", "failed")
