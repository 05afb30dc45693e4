"""Pure: metric families as text, by OpenMetrics 1.0 (prometheus/OpenMetrics, specification/OpenMetrics.md)."""

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Final, Literal, NamedTuple

CONTENT_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"


class Sample(NamedTuple):
    """One value and its labels. `suffix`: what the kind of family asks for (`_total`, `_bucket` ...)."""

    value: float
    labels: Mapping[str, str] = {}
    suffix: str = ""


class Family(NamedTuple):
    """Samples of one name."""

    name: str
    kind: Literal["counter", "gauge", "histogram", "info"]
    help: str
    samples: tuple[Sample, ...]
    unit: str = ""
    """The last part of the name, where it has one: seconds, bytes."""


def counter(name: str, help_: str, samples: Iterable[tuple[Mapping[str, str], float]]) -> Family:
    """A family of counters."""
    return Family(name, "counter", help_, tuple(Sample(value, labels, "_total") for labels, value in samples))


def gauge(name: str, help_: str, samples: Iterable[tuple[Mapping[str, str], float]]) -> Family:
    """A family of gauges; the unit is read from the name."""
    unit = next((unit for unit in ("seconds", "bytes") if name.endswith("_" + unit)), "")
    return Family(name, "gauge", help_, tuple(Sample(value, labels) for labels, value in samples), unit)


def histogram(name: str, help_: str, bounds: Iterable[float], counts: Iterable[int], total: float) -> Family:
    """One histogram: `counts` of what lies at or below each bound and above the one before, then of the rest."""
    samples: list[Sample] = []
    sum_ = 0
    for bound, count in zip([*bounds, math.inf], counts, strict=True):
        sum_ += count
        samples.append(Sample(sum_, {"le": _number(bound)}, "_bucket"))
    samples += [Sample(total, {}, "_sum"), Sample(sum_, {}, "_count")]
    return Family(name, "histogram", help_, tuple(samples), "seconds" if name.endswith("_seconds") else "")


def text(families: Iterable[Family]) -> str:
    """All of them, as they go over the wire."""
    return "\n".join((*_lines(families), "# EOF", ""))


def _lines(families: Iterable[Family]) -> Iterator[str]:
    for family in families:
        yield f"# TYPE {family.name} {family.kind}"
        if family.unit:
            yield f"# UNIT {family.name} {family.unit}"
        yield f"# HELP {family.name} {_escaped(family.help)}"
        for sample in family.samples:
            labels = ",".join(f'{name}="{_escaped(value)}"' for name, value in sample.labels.items())
            yield (
                f"{family.name}{sample.suffix}{{{labels}}} {_number(sample.value)}"
                if labels
                else (f"{family.name}{sample.suffix} {_number(sample.value)}")
            )


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _number(value: float) -> str:
    if math.isinf(value):
        return "+Inf" if value > 0 else "-Inf"
    return repr(float(value)) if value != int(value) else str(int(value)) + ".0"
