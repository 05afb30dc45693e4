"""Pure: who may say and hear what at the broker. One list, from which every broker's settings are made.

| login                        | may publish                                   | may read                          |
|------------------------------|-----------------------------------------------|-----------------------------------|
| `adapter.{area}.{line}.{name}` | events, batches and the state of its source   | the record's receipts for it      |
| `edge.{name}`                | the edge's condition                          | nothing                           |
| `record.{name}`              | receipts, the record's condition              | events, batches and states        |
| `watch`, `reader.{name}`     | nothing                                       | the same                          |

What is not listed is forbidden. A broker acknowledges a forbidden publish all the same (MQTT 3.1.1, 3.3.5) and drops
it: an edge sees that no receipt comes and says so.
"""

from collections.abc import Iterable
from typing import Final, NamedTuple

from broker_bridge.bus.topics import Topics
from broker_bridge.config import Settings

WATCH: Final = "watch"
"""The login of `watch` and `check`."""


class Access(NamedTuple):
    """What one login may do. Topic filters as MQTT writes them."""

    login: str
    publish: tuple[str, ...]
    read: tuple[str, ...]


def adapter_login(source: str) -> str:
    """The login of the adapter that speaks as `source` (/site/area/line/adapter)."""
    _, _, area, line, name = source.split("/")
    return f"adapter.{area}.{line}.{name}"


def edge_login(edge: str) -> str:
    """The login of an edge, which speaks of itself only."""
    return f"edge.{edge}"


def record_login(record: str) -> str:
    """The login of a record's recorder."""
    return f"record.{record}"


def access_list(settings: Settings) -> list[Access]:
    """Every login of a configured plant, in the order of the table above."""
    topics = Topics(settings.plant.topic_root)
    site, record, edge = settings.plant.site, settings.record.name, settings.edge.name
    sources = [settings.source(adapter) for adapter in settings.adapters]
    everything = (*topics.all_events(), topics.all_states())
    listed = [
        Access(
            adapter_login(source),
            (topics.all_events_of(source), topics.batch(source), topics.state(source)),
            (topics.receipt(source, record),),
        )
        for source in sources
    ]
    listed.append(Access(edge_login(edge), (topics.edge_state(site, edge),), ()))
    listed.append(
        Access(
            record_login(record),
            (topics.all_receipts(record), topics.record_state(site, record)),
            everything,
        )
    )
    listed.append(Access(WATCH, (), everything))
    listed += [Access(f"reader.{name}", (), everything) for name in settings.broker.readers]
    return listed


def merged(lists: Iterable[Iterable[Access]]) -> list[Access]:
    """The lists of several configurations of one plant as one: a login they share may do what each of them says."""
    whole: dict[str, Access] = {}
    for access in (one for listed in lists for one in listed):
        known = whole.get(access.login, Access(access.login, (), ()))
        whole[access.login] = Access(
            access.login,
            tuple(dict.fromkeys((*known.publish, *access.publish))),
            tuple(dict.fromkeys((*known.read, *access.read))),
        )
    return list(whole.values())


def matches(pattern: str, topic: str) -> bool:
    """Whether a topic filter takes a topic name (MQTT 3.1.1, 4.7)."""
    wanted, levels = pattern.split("/"), topic.split("/")
    for place, level in enumerate(wanted):
        if level == "#":
            return True
        if place >= len(levels) or level not in ("+", levels[place]):
            return False
    return len(wanted) == len(levels)


def may_publish(access: Access, topic: str) -> bool:
    """Whether the list lets a login publish on a topic."""
    return any(matches(pattern, topic) for pattern in access.publish)


def may_read(access: Access, topic: str) -> bool:
    """Whether the list lets a login read a topic."""
    return any(matches(pattern, topic) for pattern in access.read)


def subjects(patterns: Iterable[str]) -> list[str]:
    """Topic filters as the embedded broker's program writes them.

    `a/#` takes the level `a` too, its own word for "all below" does not: both are listed.
    """
    found: list[str] = []
    for pattern in patterns:
        words = ["*" if level == "+" else ">" if level == "#" else level for level in pattern.split("/")]
        if words[-1] == ">" and len(words) > 1:
            found.append(".".join(words[:-1]))
        found.append(".".join(words))
    return found
