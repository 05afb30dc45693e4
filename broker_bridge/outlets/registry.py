"""The one table of outlet kinds: which outlet is built for which kind of configuration."""

from collections.abc import Callable
from typing import Any, Final

from broker_bridge.config import AnyOutlet, CfxOutlet, Settings, TablesOutlet, WebhookOutlet
from broker_bridge.outlets.base import Outlet
from broker_bridge.outlets.leaving import Choice


def _webhook(settings: Settings, config: WebhookOutlet) -> Outlet:
    from broker_bridge.outlets.webhook import Webhook

    return Webhook(config)


def _tables(settings: Settings, config: TablesOutlet) -> Outlet:
    from broker_bridge.outlets.tables import Tables

    return Tables(config, settings.record.path, settings.position(config), choice(config))


def _cfx(settings: Settings, config: CfxOutlet) -> Outlet:
    from broker_bridge.outlets.cfx import CfxPlant

    return CfxPlant(config)


_BUILDERS: Final[dict[type[Any], Callable[[Settings, Any], Outlet]]] = {
    WebhookOutlet: _webhook,
    TablesOutlet: _tables,
    CfxOutlet: _cfx,
}
"""Each builder imports its outlet when it is asked to, so that a plant pays only for the kinds it uses."""


def build(settings: Settings, config: AnyOutlet) -> Outlet:
    """A configured outlet. Raises ConfigError when it cannot be used so, UsageError when an extra is not installed."""
    return _BUILDERS[type(config)](settings, config)


def choice(config: AnyOutlet) -> Choice:
    """What may leave through it."""
    return Choice(
        types=config.types,
        lines=config.lines,
        allow=config.allow,
        markings=config.markings,
        unknown_parts=config.unknown_parts,
    )


def kinds() -> set[type[Any]]:
    """The configuration classes that have an outlet."""
    return set(_BUILDERS)
