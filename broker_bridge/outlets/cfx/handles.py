"""In whose name a message is sent: a handle for each station."""

from broker_bridge.events.fact import Fact


def handle_of(form: str, fact: Fact, station: str | None = None) -> str:
    """The CFX handle of a station (the event's own by default), by the configured form."""
    _, site, area, line, adapter = fact.source.split("/")
    place = station or fact.data.get("station") or adapter
    return (
        form.replace("${site}", site)
        .replace("${area}", area)
        .replace("${line}", line)
        .replace("${adapter}", adapter)
        .replace("${station}", place)
    )
