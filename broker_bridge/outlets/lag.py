"""How far each outlet is behind the record, seen from outside: for `check`, `outlets list` and the metrics."""

import time
from collections.abc import Iterator
from typing import NamedTuple

from broker_bridge.config import AnyOutlet, Settings
from broker_bridge.errors import NotFound, StoreError
from broker_bridge.outlets.cursor import Standing, count_letters, standing
from broker_bridge.store.base import StoreReader


class Lag(NamedTuple):
    """One outlet as it stands."""

    config: AnyOutlet
    standing: Standing | None
    """None: it was never started."""
    letters: int
    """Dead letters."""
    behind: int
    """Events of the record that it has not come to."""
    oldest_s: float
    """How long the oldest of them has been in the record; 0 where there is none."""
    trouble: str | None = None
    """Why nothing can be said."""


def lags(settings: Settings, reader: StoreReader | None, now: float | None = None) -> Iterator[Lag]:
    """Of every configured outlet. `reader` None: no record is there. `now`: seconds since 1970."""
    at = time.time() if now is None else now
    head = reader.head() if reader is not None else None
    for config in settings.outlets:
        path = settings.position(config)
        try:
            there: Standing | None = standing(path)
            letters = count_letters(path)
        except NotFound:
            there, letters = None, 0
        except StoreError as error:
            yield Lag(config, None, 0, 0, 0.0, str(error))
            continue
        number = 0 if there is None else there.number
        if reader is None or head is None or (there is None and config.start == "end"):
            yield Lag(config, there, letters, 0, 0.0)
            continue
        oldest_s = 0.0
        if number < head.number:
            (waiting,) = reader.after(number, 1)
            (commit,) = reader.commits(waiting.commit - 1, 1)
            oldest_s = max(0.0, at - commit.at / 1e6)
        yield Lag(config, there, letters, max(0, head.number - number), oldest_s)
