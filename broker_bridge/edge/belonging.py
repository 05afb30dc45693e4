"""Pure: whose outbox it is. Its sources' names say it: /site/area/line/adapter."""

from collections.abc import Iterable
from pathlib import PurePath

from broker_bridge.bus.topics import site_of


def stranger(path: PurePath, sources: Iterable[str], site: str) -> str | None:
    """What is wrong with the outbox at `path` in the plant `site`, and what to do; None when all of it is that plant's.

    Its events would enter this plant's record, and boards of two plants would share one history for good.
    """
    others = sorted({site_of(source) for source in sources} - {site})
    if not others:
        return None
    return (
        f"{path}: this outbox holds events of the plant {', '.join(map(repr, others))}, and plant.site is {site!r}: name this"
        " plant's own outbox in [edge] (a new one is made where none is), or correct plant.site; keep this one until the"
        " record of its own plant has its events"
    )
