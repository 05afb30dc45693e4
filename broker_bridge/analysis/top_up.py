"""The top-up loop: pads called for too little paste, topped up, and what the inspection afterwards said."""

from collections.abc import Sequence

from broker_bridge.analysis.columns import Key, chosen, named, same_length
from broker_bridge.analysis.comparisons import difference, exact_test
from broker_bridge.analysis.intervals import LEVEL, Interval, Proportion, Refused, proportion
from broker_bridge.trace.value import Value


class TopUpLoop(Value):
    """Called pads that were topped up, against called pads that were left alone."""

    called: int
    topped_up: Proportion | Refused
    """Of the called ones. Members: the topped up."""
    passed_topped_up: Proportion | Refused
    """Of those with an outcome afterwards. Members: the passed."""
    passed_left_alone: Proportion | Refused
    gain: tuple[float, Interval] | None
    """First share minus second; None: one of them is refused."""
    p: float | None
    """Fisher's exact test, two-sided."""
    verdict: str
    open: tuple[Key, ...]
    """Called, and no outcome afterwards: in no share of passed ones."""
    void: tuple[Key, ...]
    """Of washed prints: left out."""
    not_called: tuple[Key, ...]
    """Topped up without a call: left out."""


def top_up_loop(
    called: Sequence[bool],
    topped_up: Sequence[bool],
    passed_afterwards: Sequence[bool | None],
    *,
    keys: Sequence[Key] | None = None,
    void: Sequence[bool] | None = None,
    level: float = LEVEL,
) -> TopUpLoop | Refused:
    """The loop from pads, one a row. `passed_afterwards`: what a later inspection of the pad said; None: nothing.

    Which pads are topped up is no lottery: the comparison with those left alone is an observation, not a trial.
    """
    same_length(called=called, topped_up=topped_up, passed=passed_afterwards, keys=keys, void=void)
    rows = named(keys, len(called))
    washed = [bool(v) for v in void] if void is not None else [False] * len(rows)
    mine = [bool(c) and not w for c, w in zip(called, washed, strict=True)]
    if not any(mine):
        return Refused("no pad was called", 0, 1)
    columns = list(zip(mine, topped_up, passed_afterwards, strict=True))
    counts: list[int] = []
    shares: list[Proportion | Refused] = []
    for side in (True, False):
        judged = [m and bool(t) is side and p is not None for m, t, p in columns]
        passed = chosen(rows, [j and bool(p) for j, (_, _, p) in zip(judged, columns, strict=True)])
        counts += [len(passed), sum(judged)]
        shares.append(proportion(len(passed), sum(judged), members=passed, level=level))
    gain: tuple[float, Interval] | None = None
    p_value: float | None = None
    verdict = "cannot tell: there is nothing on one side of the comparison"
    if counts[1] and counts[3]:
        a, m, b, o = counts
        gain, p_value = difference(a, m, b, o, level), exact_test([(a, m, b, o)])
        verdict = "cannot tell from chance"
        if p_value < 1 - level:
            verdict = f"topped-up pads pass {'more' if gain[0] > 0 else 'less'} often"
    lifted = chosen(rows, [m and bool(t) for m, t, _ in columns])
    return TopUpLoop(
        sum(mine), proportion(len(lifted), sum(mine), members=lifted, level=level), shares[0], shares[1], gain, p_value, verdict,
        chosen(rows, [m and p is None for m, _, p in columns]), chosen(rows, washed),
        chosen(rows, [bool(t) and not c and not w for c, t, w in zip(called, topped_up, washed, strict=True)]),
    )  # fmt: skip
