"""The one table of source kinds: which adapter reads which kind of configuration."""

from collections.abc import Callable
from typing import Any, Final

from broker_bridge.adapters.base import Adapter
from broker_bridge.config import FilesAdapter, Settings


def _files(settings: Settings, config: FilesAdapter) -> Adapter:
    from broker_bridge.adapters.logs.adapter import FolderAdapter

    return FolderAdapter(config)


_BUILDERS: Final[dict[type[Any], Callable[[Settings, Any], Adapter]]] = {FilesAdapter: _files}
"""Each builder imports its adapter when it is asked to, so that a plant pays only for the kinds it uses."""


def build(settings: Settings) -> dict[str, Adapter]:
    """The configured adapters by source. Raises ConfigError when a mapping or other file cannot be used."""
    return {
        settings.source(config): _BUILDERS[type(config)](settings, config) for config in settings.adapters
    }


def kinds() -> set[type[Any]]:
    """The configuration classes that have an adapter."""
    return set(_BUILDERS)
