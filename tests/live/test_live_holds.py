"""Which statements hold, also of records whose first revision was forgotten."""

from broker_bridge.events.fact import Fact
from broker_bridge.live.holds import Holds
from broker_bridge.live.told import Told, tell

from told import Told as Line  # isort: skip


def statements(count: int) -> list[Fact]:
    line = Line()
    for number in range(count):
        line.passes("print", f"08:{number:02}:00", f"08:{number:02}:30")
    return list(line.facts)


def revised(fact: Fact, revision: int) -> Told:
    return tell(fact)._replace(revision=revision)


def test_a_correction_holds_alone_though_what_it_corrects_was_forgotten() -> None:
    facts = statements(3)
    holds = Holds(limit=2)
    first = revised(facts[0], 1)
    for fact in facts:
        holds.add(revised(fact, 1))
    correction = revised(facts[0], 2)
    holds.add(correction)
    assert holds.among([first, correction]) == [correction]


def test_of_one_revision_everything_holds() -> None:
    holds = Holds()
    all_of_them = [revised(fact, 1) for fact in statements(3)]
    for one in all_of_them:
        holds.add(one)
    assert holds.among(all_of_them) == all_of_them
