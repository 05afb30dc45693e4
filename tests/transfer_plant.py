"""A supervisor's configuration for tests."""

from typing import Any

from broker_bridge.config import TransferAdapter, TransferMachine


def machine(station: str = "place-1", port: int = 50_100, **settings: Any) -> TransferMachine:
    """A machine at a station, on this computer."""
    return TransferMachine(station=station, host="127.0.0.1", port=port, **settings)


def supervisor(*machines: TransferMachine, **settings: Any) -> TransferAdapter:
    """A supervisor of these machines; of one at place-1 where none is given."""
    return TransferAdapter(
        kind="transfer",
        name="transfer",
        area="smt",
        line="line-1",
        machines=machines or (machine(),),
        **settings,
    )
