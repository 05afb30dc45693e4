"""The ways out: what each has still to send, what was refused, and whether it runs."""

from collections.abc import Iterator
from typing import Final

from broker_bridge.config import Settings, TablesOutlet
from broker_bridge.edge.survey import in_use
from broker_bridge.errors import BridgeError
from broker_bridge.health.finding import Finding, Level, ago
from broker_bridge.outlets.lag import Lag, lags
from broker_bridge.store.sqlite_reader import SqliteReader

_LATE_S: Final = 300.0


def outlets(settings: Settings) -> Iterator[Finding]:
    """The lag and the dead letters of every outlet."""
    if not settings.outlets:
        return
    if "outlets" not in settings.roles:
        yield Finding(
            "outlets",
            "notice",
            'outlets are configured, and "outlets" is not among the roles here',
            "add it to roles, unless they run on another machine that has the record",
        )
        return
    try:
        reader = SqliteReader(settings.record.path)
    except BridgeError:
        yield from (told(settings, lag) for lag in lags(settings, None))
        return
    try:
        yield from (told(settings, lag) for lag in lags(settings, reader))
    finally:
        reader.close()


def told(settings: Settings, lag: Lag) -> Finding:
    """What is to be said of one outlet."""
    subject = f"outlet {lag.config.name}"
    if lag.trouble is not None:
        return Finding(subject, "problem", lag.trouble, "move the file aside: the outlet then begins anew")
    if lag.standing is None:
        return Finding(subject, "notice", "was never started", "start the role outlets")
    running = in_use(settings.position(lag.config))
    level: Level = "fine"
    advice = ""
    parts = [f"at event {lag.standing.number:,}", f"{lag.behind:,} behind"]
    if lag.behind:
        parts[-1] += f", the oldest since {ago(lag.oldest_s)}"
    if lag.standing.withheld:
        parts.append(f"{lag.standing.withheld:,} withheld ({lag.standing.why_withheld})")
    gathers_s = lag.config.every_s if isinstance(lag.config, TablesOutlet) else 0.0
    if lag.behind and gathers_s:
        parts.append(f"gathers for {gathers_s:g} s")
    if lag.oldest_s > _LATE_S + gathers_s:
        level, advice = "problem", "see why it waits; nothing is lost, the record keeps its place"
    if lag.letters:
        parts.append(f"{lag.letters:,} dead letters")
        level = "problem"
        advice = f"broker-bridge outlets letters CONFIG {lag.config.name} shows why; outlets retry sends them again"
    if lag.standing.condition in ("waiting", "stopped", "failed"):
        parts.append(f"{lag.standing.condition}: {lag.standing.detail}")
        if lag.standing.condition != "waiting":
            level = "problem"
        elif level == "fine":
            level = "notice"
    if not running:
        parts.append("does not run")
        level, advice = "problem", advice or "start the role outlets"
    return Finding(subject, level, "; ".join(parts), advice)
