"""The state table of a channel drawn as a Mermaid state diagram, for the developers' guide."""

from collections import defaultdict

from broker_bridge.adapters.transfer.protocol.states import HORIZONTAL, Channel, State


def diagram(channel: Channel = HORIZONTAL) -> str:
    """Return the Mermaid text, ending in a line end.

    An arrow bears the message and its sender. Messages that leave the state as it is stand in notes,
    each beside the first of the states it may come in.
    """
    arrows = [f"    [*] --> {State.SOCKET_CONNECTED}: TCP connect"]
    staying: dict[str, list[State]] = defaultdict(list)
    for rows, remark in ((channel.legal, ""), (channel.tolerated, ", tolerated")):
        for (state, sender, message), after in rows.items():
            label = f"{message} ({sender}{remark})"
            if state is after:
                staying[label].append(state)
            else:
                arrows.append(f"    {state} --> {after}: {label}")
    return "\n".join(["stateDiagram-v2", *arrows, *_notes(staying)]) + "\n"


def _notes(staying: dict[str, list[State]]) -> list[str]:
    together: dict[tuple[State, ...], list[str]] = defaultdict(list)
    for label, states in staying.items():
        together[tuple(states)].append(label)
    by_first: dict[State, list[str]] = defaultdict(list)
    for group, labels in together.items():
        by_first[group[0]].append(f"        in {', '.join(group)}: {', '.join(labels)}")
    return [
        line
        for state, texts in by_first.items()
        for line in (f"    note right of {state}", *texts, "    end note")
    ]
