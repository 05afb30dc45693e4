"""`preview MAPPING FILE...`: what files would become; `preview --suggest FILE...`: a first mapping for unknown ones."""

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from broker_bridge.adapters.base import Taking
    from broker_bridge.adapters.logs.mapping.compiled import Compiled
    from broker_bridge.adapters.logs.preview.statistics import Statistics
    from broker_bridge.config import FilesAdapter

EXAMPLE: Final = """\
example: broker-bridge preview mappings/spi.toml drop/spi-1
         broker-bridge preview mappings/spi.toml old.txt --events     # every event as a JSON line
         broker-bridge preview --suggest unknown.csv --output mappings/new.toml
         broker-bridge preview mappings/spi.toml drop/spi-1 --config plant.toml --adapter spi-1-files

Nothing is written but --output. What it shows is what a run makes: the same code reads.

exit codes: 0 fine, 1 rejected records or a file that does not fit, 2 usage, 3 the mapping is wrong"""

_MB: Final = 2**20
_SUGGEST_BYTES: Final = 4 * _MB
"""Read of each file for a suggestion; a document that can only be read as a whole is read as a whole."""
_SUGGEST_FILES: Final = 50


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument(
        "paths",
        type=Path,
        nargs="+",
        metavar="MAPPING FILE",
        help="the mapping, then files or folders of them",
    )
    parser.add_argument(
        "--suggest",
        action="store_true",
        help="take all as files nobody knows, and write a first mapping for them",
    )
    parser.add_argument(
        "--output", type=Path, metavar="FILE", help="with --suggest: write it there, not over a file"
    )
    parser.add_argument("--events", action="store_true", help="print all events as JSON lines, nothing else")
    parser.add_argument("--first", type=int, default=5, metavar="N", help="events to show (5)")
    parser.add_argument("--rejected", type=int, default=10, metavar="N", help="rejected records to show (10)")
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help="take the place from this plant's configuration"
    )
    parser.add_argument(
        "--adapter", metavar="NAME", help="with --config: the adapter that would read the files"
    )
    parser.add_argument("--station", metavar="NAME", help="the station, where the mapping does not tell it")
    parser.add_argument("--equipment", metavar="NAME", help="the machine that stands there")
    parser.add_argument("--lane", type=int, metavar="N", help="the lane, where the mapping does not tell it")
    parser.add_argument(
        "--max-mb", type=float, default=64.0, metavar="MB", help="largest content that is read (64)"
    )
    parser.add_argument("--json", action="store_true", help="answer as JSON (schemas/preview.json)")


def run(args: argparse.Namespace) -> int:
    """Preview or suggest."""
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")
    return _suggest(args) if args.suggest else _preview(args)


# -- preview


def _preview(args: argparse.Namespace) -> int:
    from broker_bridge.adapters.logs import load_mapping
    from broker_bridge.adapters.logs.preview.statistics import Statistics
    from broker_bridge.errors import UsageError

    mapping_path, *paths = args.paths
    if not paths:
        raise UsageError("preview what? MAPPING FILE...; for files without a mapping: --suggest FILE...")
    if args.output is not None:
        raise UsageError("--output goes with --suggest; a preview is printed")
    config = _adapter(args)
    mapping = load_mapping(mapping_path)
    text = mapping_path.read_text(encoding="utf-8")
    statistics = Statistics(mapping, text, str(mapping_path), shown=args.first, rejected_shown=args.rejected)
    for taking in _takings(args, config, mapping, paths, statistics):
        if args.events:
            _print_events(taking, config)
    view = statistics.view()
    if args.json and not args.events:
        print(view.model_dump_json(indent=1, exclude_none=True))
    elif not args.events:
        import shutil

        from broker_bridge.words.preview import words

        for line in words(view, shutil.get_terminal_size().columns):
            print(line)
    return 1 if view.rejected or any(file.verdict for file in view.files) else 0


def _adapter(args: argparse.Namespace) -> "FilesAdapter | None":
    """The configured adapter whose place counts; None where none is named."""
    from broker_bridge.errors import UsageError

    if (args.config is None) != (args.adapter is None):
        raise UsageError("--config and --adapter go together")
    if args.config is None:
        return None
    if args.station or args.equipment or args.lane is not None:
        raise UsageError("the adapter tells the place; leave --station, --equipment and --lane out")
    from broker_bridge.cli.where import files_adapter
    from broker_bridge.config import load

    return files_adapter(load(args.config), args.adapter)


def _takings(
    args: argparse.Namespace,
    config: "FilesAdapter | None",
    mapping: "Compiled",
    paths: list[Path],
    statistics: "Statistics",
) -> "Iterator[Taking]":
    from broker_bridge.adapters.logs.adapter.content import Unreadable, decompressed
    from broker_bridge.adapters.logs.adapter.folder import Signature
    from broker_bridge.adapters.logs.adapter.observed import ObservedReading
    from broker_bridge.adapters.logs.adapter.reading import shown, unread
    from broker_bridge.adapters.logs.mapping.takings import Place
    from broker_bridge.adapters.logs.protocol.record import digest_of
    from broker_bridge.cli.files import Companions, named_files
    from broker_bridge.cli.progress import Bar
    from broker_bridge.errors import UsageError

    place = Place("preview", args.station, args.equipment, args.lane)
    most = int(args.max_mb * _MB)
    if config is not None:
        place = Place(config.name, config.station, config.equipment, config.lane)
        most = int(config.max_file_mb * _MB)
    files = [path for path, fits in named_files(paths, config.pattern if config else "*") if fits]
    beside = Companions(mapping, most)
    files = [path for path in files if not beside.is_one(path)]
    if not files:
        raise UsageError(f"there is no file to read in {', '.join(map(str, paths))}")
    bar = Bar(quiet=args.events and sys.stdout.isatty())
    for number, path in enumerate(files):
        try:
            modified = Signature.of(path.stat()).modified
            raw = path.read_bytes()
        except OSError as error:
            raise UsageError(f"{path}: cannot be read: {error.strerror}") from None
        name = shown(path.name)
        try:
            content = decompressed(raw, most)
        except Unreadable as error:
            statistics.begin(name, b"")
            taking = unread(
                mapping, digest_of(raw), len(raw), name, str(error), adapter=place.adapter, modified=modified,
                station=place.station, archived=True,
            )  # fmt: skip
            statistics.unread(taking, len(raw))
            yield taking
            continue
        statistics.begin(name, content)
        reading = ObservedReading(
            mapping, content, name, place=place, modified=modified, companions=beside.of(path)
        )

        def look(item: Any, at: int = number, size: int = len(content) or 1, called: str = name) -> None:
            statistics.record(item)
            bar.update((at + item.position / size) / len(files), called)

        reading.observer = look
        for taking in reading:
            statistics.taking(taking)
            yield taking
        statistics.end(reading.generation, reading.counters, complete=reading.complete)
    bar.clear()


def _print_events(taking: "Taking", config: "FilesAdapter | None") -> None:
    """The events of a taking as they would travel, without what only the edge adds."""
    import orjson

    from broker_bridge.events.ids import EventId
    from broker_bridge.events.union import schema_uri

    for ordinal, statement in enumerate(taking.statements):
        data = statement.data
        event = {
            "specversion": "1.0",
            "id": str(EventId(taking.generation, taking.position, ordinal, taking.revision)),
            "type": data.TYPE,
            **({"subject": statement.subject} if statement.subject else {}),
            "time": statement.time.isoformat().replace("+00:00", "Z"),
            "datacontenttype": "application/json",
            "dataschema": schema_uri(data.TYPE),
            **({"rawname": taking.rawname} if taking.rawname else {}),
            "data": data.model_dump(mode="json", exclude_none=True),
        }
        sys.stdout.write(orjson.dumps(event).decode() + "\n")


# -- suggest


def _suggest(args: argparse.Namespace) -> int:
    from broker_bridge.adapters.logs.adapter.content import Unreadable, decompressed
    from broker_bridge.adapters.logs.adapter.reading import shown
    from broker_bridge.adapters.logs.preview.draft import draft
    from broker_bridge.cli.files import named_files
    from broker_bridge.errors import UsageError

    samples: list[tuple[str, bytes]] = []
    for path, _ in named_files(args.paths):
        if len(samples) >= _SUGGEST_FILES:
            break
        try:
            content = decompressed(path.read_bytes(), int(args.max_mb * _MB))
        except OSError as error:
            raise UsageError(f"{path}: cannot be read: {error.strerror}") from None
        except Unreadable as error:
            print(f"broker-bridge preview: {path} is left out: {error}", file=sys.stderr)
            continue
        samples.append((shown(path.name), content))
    text = draft(samples, most=_SUGGEST_BYTES)
    if args.json:
        import json

        from broker_bridge.adapters.logs.preview.draft import questions

        print(json.dumps({"mapping": text, "questions": questions(text)}, indent=1, ensure_ascii=False))
    elif args.output is None:
        print(text, end="")
    else:
        try:
            with args.output.open("x", encoding="utf-8") as file:
                file.write(text)
        except FileExistsError:
            raise UsageError(f"{args.output} is there already; it is not written over") from None
        except OSError as error:
            raise UsageError(f"{args.output}: cannot be written: {error.strerror}") from None
        print(
            f"{args.output}: a first mapping, {text.count('# QUESTION')} open questions. Answer them, then:"
        )
        print(f"broker-bridge preview {args.output} {' '.join(map(str, args.paths))}")
    return 0
