"""What a board carries, in words: a heading for each place and time, a line for each slot. Pure."""

import re
from collections.abc import Iterator, Sequence
from itertools import groupby

from broker_bridge.trace.inspections import Place
from broker_bridge.trace.uses import Material, Tool

_RUN = re.compile(r"([A-Za-z]+)([0-9]+)\Z")


def told(
    materials: Sequence[Material], tools: Sequence[Tool]
) -> Iterator[tuple[str | int, str, Material | Tool | None]]:
    """Lines as mark or indent, text, and the entry they are about; headings have no entry."""
    numbered = list(enumerate(materials, 1))
    for (station, side, act), group in groupby(numbered, key=lambda pair: _where(pair[1])):
        entries = list(group)
        yield (
            2,
            ", ".join(part for part in (station or "station not known", side, act.replace("_", " ")) if part),
            None,
        )
        for number, one in entries:
            yield f"M{number}", _line(one), one
    for number, tool in enumerate(tools, 1):
        place = ", ".join(part for part in (tool.station, tool.side) if part)
        yield f"O{number}", f"{tool.kind} {tool.id}{f' at {place}' if place else ''}", tool


def summary(materials: Sequence[Material]) -> str:
    """How much of it is carried now, and how much only was."""
    put = [one for one in materials if one.act in ("installed", "consumed")]
    now = [one for one in put if one.now]
    doubtful = sum(one.certainty != "observed" for one in put)
    text = f"carries now {len(now)}, ever carried {len(put)}"
    return f"{text}; {doubtful} of them not certain" if doubtful else text


def runs(places: Sequence[Place]) -> str:
    """Designators in few words: R1 to R8, C3."""
    names = [place.designator or place.pad or "" for place in places]
    found: list[list[str]] = []
    for name in names:
        last = _RUN.match(found[-1][-1]) if found else None
        own = _RUN.match(name)
        if last and own and own[1] == last[1] and int(own[2]) == int(last[2]) + 1:
            found[-1].append(name)
        else:
            found.append([name])
    return ", ".join(
        run[0] if len(run) == 1 else f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run)
        for run in found
    )


def _where(one: Material) -> tuple[str, str, str]:
    return one.station or "", one.side or "", one.act


def _line(one: Material) -> str:
    known = [
        one.part,
        one.maker_part and f"maker's part {one.maker_part}",
        one.id and f"{one.container or 'container'} {one.id}",
        f"lot {' or '.join(one.lots)}" if one.lots else None,
        one.date_code and f"date code {one.date_code}",
    ]
    if not one.known:
        known.append("reel and lot not known: any of this part")
    elif not one.lots and one.act != "bare_board":
        known.append("lot not stated")
    head = [
        one.slot and f"slot {one.slot}",
        runs(one.places) or None,
    ]
    text = ": ".join(
        part for part in (", ".join(h for h in head if h), ", ".join(k for k in known if k)) if part
    )
    if one.gone:
        text += f"; came off again: {runs(one.gone)}" if one.now else "; all of it came off again"
    elif not one.now and one.act == "consumed":
        text += "; washed off"
    if one.exceeded:
        text += f"; {one.exceeded}"
    if one.one_of:
        text += f" [one of several at {one.one_of}]"
    if one.confirm:
        text += f"; {one.confirm}"
    return text
