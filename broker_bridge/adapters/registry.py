"""The one table of source kinds: which adapter reads which kind of configuration."""

from collections.abc import Callable
from typing import Any, Final

from broker_bridge.adapters.base import Adapter
from broker_bridge.config import (
    AnyAdapter,
    AssertionsAdapter,
    CfxAdapter,
    DeclarationsAdapter,
    FilesAdapter,
    Settings,
    TransferAdapter,
)  # fmt: skip


def _files(settings: Settings, config: FilesAdapter) -> Adapter:
    from broker_bridge.adapters.logs.adapter import FolderAdapter

    return FolderAdapter(config)


def _transfer(settings: Settings, config: TransferAdapter) -> Adapter:
    from broker_bridge.adapters.transfer.adapter import SupervisorAdapter

    return SupervisorAdapter(config)


def _assertions(settings: Settings, config: AssertionsAdapter) -> Adapter:
    from broker_bridge.adapters.assertions.adapter import PersonsAdapter

    return PersonsAdapter(config)


def _cfx(settings: Settings, config: CfxAdapter) -> Adapter:
    from broker_bridge.adapters.cfx.adapter import CfxMachines

    return CfxMachines(config)


def _declarations(settings: Settings, config: DeclarationsAdapter) -> Adapter:
    from broker_bridge.adapters.declarations.adapter import DeclaringAdapter

    return DeclaringAdapter(config)


_BUILDERS: Final[dict[type[Any], Callable[[Settings, Any], Adapter]]] = {
    FilesAdapter: _files,
    TransferAdapter: _transfer,
    AssertionsAdapter: _assertions,
    CfxAdapter: _cfx,
    DeclarationsAdapter: _declarations,
}
"""Each builder imports its adapter when it is asked to, so that a plant pays only for the kinds it uses."""


def build_one(settings: Settings, config: AnyAdapter) -> Adapter:
    """One configured adapter. Raises ConfigError when a mapping or other file cannot be used."""
    return _BUILDERS[type(config)](settings, config)


def build(settings: Settings) -> dict[str, Adapter]:
    """All configured adapters by source. Raises as `build_one`."""
    return {settings.source(config): build_one(settings, config) for config in settings.adapters}


def kinds() -> set[type[Any]]:
    """The configuration classes that have an adapter."""
    return set(_BUILDERS)
