"""Which record a reading command is asked about: --record, else --config, else plant.toml here."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Final

from broker_bridge.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from broker_bridge.config import FilesAdapter, Settings

DEFAULT: Final = Path("plant.toml")


def where(parser: argparse.ArgumentParser) -> None:
    """Add --record and --config."""
    parser.add_argument(
        "--record", metavar="URL", help="the record: sqlite:///path, absolute with a fourth slash"
    )
    parser.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        help="the plant's configuration that names it (default: plant.toml here)",
    )


def record_name(args: argparse.Namespace) -> str | None:
    """What the configuration calls the record; None where only a URL names it. Call `record_url` first."""
    if args.record is not None:
        return None
    import tomllib

    document = tomllib.loads((args.config or DEFAULT).read_text(encoding="utf-8"))
    return str(document.get("record", {}).get("name", "record"))


def record_url(args: argparse.Namespace) -> str:
    """The record's URL. Raises UsageError when nothing names one, ConfigError when the file cannot be used.

    Reads only the two keys it needs: checking the whole configuration takes ten times as long as the answer.
    """
    if args.record is not None:
        return str(args.record)
    config: Path = args.config or DEFAULT
    if args.config is None and not config.exists():
        raise UsageError(
            "which record? give --record sqlite:///path or --config FILE (there is no plant.toml here)"
        )
    import tomllib

    try:
        document = tomllib.loads(config.read_text(encoding="utf-8"))
        path = (
            config.resolve().parent
            / document.get("data", ".")
            / document.get("record", {}).get("path", "record.db")
        )
    except OSError as error:
        raise ConfigError(f"{config}: cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError, TypeError, AttributeError) as error:
        raise ConfigError(f"{config}: {error}; `broker-bridge check {config}` tells more") from error
    return f"sqlite:////{str(path).lstrip('/')}"


def files_adapter(settings: "Settings", name: str) -> "FilesAdapter":
    """The adapter of kind `files` that has this name. Raises UsageError telling which there are."""
    from broker_bridge.config import FilesAdapter

    found = {adapter.name: adapter for adapter in settings.adapters if isinstance(adapter, FilesAdapter)}
    if name not in found:
        known = ", ".join(sorted(found)) or "none"
        raise UsageError(
            f"--adapter {name!r} is no adapter of kind files in this configuration; there are: {known}"
        )
    return found[name]
