"""What a machine says about itself, in words for a technician: pure."""

from broker_bridge.adapters.transfer.protocol import (
    CurrentConfiguration,
    Feature,
    SendHermesCapabilities,
    SupervisoryServiceDescription,
)

_LONGEST = 2000


def described(message: SupervisoryServiceDescription) -> str:
    """Who it is, and what it will not do for us."""
    parts = [f"calls itself {message.system_id!r}", f"version {message.version}"]
    if Feature.BOARD_TRACKING not in message.supported_features:
        parts.append("does not announce board tracking: it may tell of no boards")
    if Feature.CHECK_ALIVE_RESPONSE not in message.supported_features:
        parts.append("does not answer signs of life: a silent end of the connection is noticed late")
    return ", ".join(parts)[:_LONGEST]


def read_out(message: CurrentConfiguration | SendHermesCapabilities) -> str:
    """Its neighbours as configured, or the optional messages it can do."""
    if isinstance(message, SendHermesCapabilities):
        names = sorted(str(name).removeprefix("Message") for name in message.optional_messages)
        return f"can do {' '.join(names) or 'no optional message'}"[:_LONGEST]
    neighbours = [
        f"upstream of lane {link.upstream_lane_id} at {link.host_address}:{link.port}"
        for link in message.upstream_configurations
    ] + [
        f"downstream of lane {link.downstream_lane_id} at port {link.port}"
        + (f" for {link.client_address} only" if link.client_address else "")
        for link in message.downstream_configurations
    ]
    return f"configured with {', '.join(neighbours) or 'no neighbour'}"[:_LONGEST]
