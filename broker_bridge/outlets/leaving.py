"""Pure: which events may leave through an outlet, and what is cut out of them.

A part's data may be a customer's secret or under export control: the plant marks the part when it declares it
(`line.part_declared`, marking), and everything said of boards of that part stays here unless the outlet's
configuration names the marking. Where markings are declared, an event about boards of which nothing tells the part
stays as well. What was sent before a marking was declared cannot be called back.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from typing import Any, Final

from broker_bridge.events.fact import Fact

Names = tuple[str, str]
"""Kind and value of an identifier."""

WITHHELD: Final = "withheld"
"""Stands in for the pseudonym of who stated something, which no such event may lack."""
_PARTLESS: Final = ("source.", "station.", "line.declared")
"""Events about no part."""


class Choice:
    """What one outlet was configured to send."""

    def __init__(
        self,
        *,
        types: Sequence[str] = ("*",),
        lines: Sequence[str] = (),
        allow: Sequence[str] = (),
        markings: Sequence[str] = (),
        unknown_parts: bool = False,
    ) -> None:
        self._types = tuple(types)
        self._lines = frozenset(lines)
        self._allow = frozenset(allow)
        self._markings = frozenset(markings)
        self._unknown_parts = unknown_parts

    def wants(self, fact: Fact) -> bool:
        """Whether it was asked for at all."""
        return any(fnmatchcase(fact.type, pattern) for pattern in self._types) and (
            not self._lines or fact.source.split("/")[3] in self._lines
        )

    def withheld(self, fact: Fact, marked: "Marked") -> str | None:
        """Why an event stays here; None when it may leave."""
        if not marked.any or fact.type.startswith(_PARTLESS):
            return None
        found = marked.of(fact)
        if found is None:
            return (
                None if self._unknown_parts else "the part of its boards is not known, and parts are marked"
            )
        if closed := found - self._markings:
            return f"it is about a part marked {min(closed)!r}"
        return None

    def may_tell(self, part: str | None, marked: "Marked") -> bool:
        """Whether what is derived about a board of this part (None: not known) may leave."""
        if not marked.any:
            return True
        if part is None:
            return self._unknown_parts
        return marked.of_part(part) <= self._markings

    def cut(self, data: Mapping[str, Any]) -> Mapping[str, Any]:
        """The data without what may not leave: the same object where there is nothing to cut.

        A person's pseudonym is taken out, and flagged `person_withheld`, unless `persons` is allowed; the raw bytes an
        event carries, flagged `withheld`, unless `raw` is allowed.
        """
        flags: list[str] = []
        out: dict[str, Any] = dict(data)
        if "persons" not in self._allow:
            if out.pop("operator", None) is not None:
                flags.append("person_withheld")
            if out.get("who") is not None:
                out["who"] = WITHHELD
                flags.append("person_withheld")
        origin = out.get("origin") or {}
        raw = origin.get("raw") or {}
        if "raw" not in self._allow and raw.get("inline") is not None:
            origin = {**origin, "raw": {key: value for key, value in raw.items() if key != "inline"}}
            flags.append("withheld")
        if not flags:
            return data
        out["origin"] = {**origin, "flags": list(dict.fromkeys([*(origin.get("flags") or ()), *flags]))}
        return out


class Marked:
    """Which boards are of marked parts, learnt from the facts. Names that one event links are one thing."""

    def __init__(self) -> None:
        self.any = False
        """Whether any part is marked."""
        self._markings: dict[str, set[str]] = {}
        self._parents: dict[Names, Names] = {}
        self._parts: dict[Names, set[str]] = {}

    def declare(self, facts: Iterable[Fact]) -> None:
        """Learn markings: from the `line.part_declared` among the facts."""
        for fact in facts:
            if fact.type == "line.part_declared" and (marking := fact.data.get("marking")):
                number = (fact.data.get("part") or {}).get("number")
                if number is not None:
                    self._markings.setdefault(number, set()).add(marking)
                    self.any = True

    def learn(self, facts: Iterable[Fact]) -> None:
        """Learn which names are of which part. Worth its time only where a part is marked."""
        for fact in facts:
            number = (fact.data.get("part") or {}).get("number")
            for names in _boards(fact.data):
                roots = [self._root(name) for name in names]
                for other in roots[1:]:
                    self._join(roots[0], other)
                if number is not None and roots:
                    self._parts.setdefault(self._root(roots[0]), set()).add(number)

    def of(self, fact: Fact) -> set[str] | None:
        """The markings of what an event is about; None when its part is not known."""
        parts: set[str] = set()
        number = (fact.data.get("part") or {}).get("number")
        if number is not None:
            parts.add(number)
        told_of_all = True
        for names in _boards(fact.data):
            known: set[str] = set()
            for name in names:
                known |= self._parts.get(self._root(name), set())
            parts |= known
            told_of_all = told_of_all and bool(known)
        if number is None and (not told_of_all or not parts):
            marked = self._all(parts)
            return marked or None
        return self._all(parts)

    def of_part(self, number: str) -> set[str]:
        """The markings of a part."""
        return self._all([number])

    def _all(self, parts: Iterable[str]) -> set[str]:
        return {marking for part in parts for marking in self._markings.get(part, ())}

    def _root(self, name: Names) -> Names:
        root = name
        while (parent := self._parents.get(root, root)) != root:
            root = parent
        while name != root:
            self._parents[name], name = root, self._parents.get(name, root)
        return root

    def _join(self, one: Names, other: Names) -> None:
        one, other = self._root(one), self._root(other)
        if one != other:
            self._parents[other] = one
            if (parts := self._parts.pop(other, None)) is not None:
                self._parts.setdefault(one, set()).update(parts)


def _boards(data: Mapping[str, Any]) -> Iterator[list[Names]]:
    """The names of each thing an event is about, its panel's among them: a panel is of its boards' secrecy."""
    for board in (*(data.get("boards") or ()), *([data["of"]] if data.get("of") else ())):
        names = [(name["kind"], name["value"]) for name in board.get("identifiers") or ()]
        if panel := board.get("panel"):
            names.append((panel["kind"], panel["value"]))
        if names:
            yield names
