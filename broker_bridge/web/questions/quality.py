"""The questions of quality: yields, charts, capability, paste, where defects came to be, gauges."""

from collections.abc import Mapping
from typing import Annotated, Final, Literal

from pydantic import Field

from broker_bridge.errors import UsageError
from broker_bridge.queries.columns import Progress, read_columns
from broker_bridge.queries.columns_paste import read_paste
from broker_bridge.queries.parts import read_parts
from broker_bridge.queries.quality_charts import quality_capability, quality_charts
from broker_bridge.queries.quality_gauge import quality_gauge, read_verifications
from broker_bridge.queries.quality_ground import read_ground
from broker_bridge.queries.quality_occurrence import EDGES, quality_occurrence
from broker_bridge.queries.quality_paste import COLUMNS, quality_paste
from broker_bridge.queries.quality_series import COUNTED, read_series, usual_chart
from broker_bridge.queries.quality_yield import quality_yield
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer
from broker_bridge.web.questions.conditions import Boards, Name, Question, Stage


class Yield(Boards):
    """Yields and DPMO, of which stage, by what."""

    stage: Stage = "reviewed"
    by: Annotated[Name, Field(examples=["station", "part", "day"])] = None
    end_item: Annotated[
        Name, Field(description="DPMO of the finished product, evaluated at this station")
    ] = None

    def _answer(self, record: Record, progress: Progress) -> Answer:
        as_of = record.as_of(self.at)
        columns = read_columns(record, as_of, progress)
        return quality_yield(
            columns, read_parts(record, as_of), self.choice(), stage=self.stage, by=self.by, end_item=self.end_item,
            level=self.level,
        )  # fmt: skip


class Charts(Boards):
    """A control chart of which series."""

    series: Annotated[
        str, Field(min_length=1, max_length=512, examples=["failed", "reading:zone_7", "paste:volume"])
    ]
    kind: Annotated[
        Literal["i-mr", "xbar-r", "xbar-s", "p", "np", "c", "u", "ewma", "cusum"] | None,
        Field(description="what fits the series where it is absent"),
    ] = None
    rules: Literal["we", "nelson", "limits"] = "we"
    size: Annotated[int, Field(ge=1, le=1000, description="values of a subgroup")] = 5
    baseline: Annotated[int | None, Field(ge=1, le=1_000_000, description="limits from the first points")] = (
        None
    )
    target: float | None = None
    sigma: Annotated[float | None, Field(gt=0, description="of a single value, for ewma and cusum")] = None
    phase: Annotated[Name, Field(examples=["program", "day"])] = None
    per: Annotated[str, Field(max_length=64, examples=["hour", "day", "order", "panel", "50"])] = "hour"
    stage: Stage = "reviewed"

    def _answer(self, record: Record, progress: Progress) -> Answer:
        as_of, choice = record.as_of(self.at), self.choice()
        series = read_series(
            record,
            as_of,
            choice,
            self.series,
            per=self.per,
            stage=self.stage,
            phase=self.phase,
            progress=progress,
        )
        return quality_charts(
            series, self.kind or usual_chart(self.series), as_of, choice.words(), rules=self.rules, size=self.size,
            baseline=self.baseline, target=self.target, sigma=self.sigma,
        )  # fmt: skip


class Capability(Boards):
    """Capability of which series, within which limits (default: as stated in the record)."""

    series: Annotated[str, Field(min_length=1, max_length=512, examples=["reading:zone_7"])]
    lower: float | None = None
    upper: float | None = None
    target: float | None = None
    size: Annotated[int, Field(ge=1, le=1000, description="values of a subgroup")] = 1
    least: Annotated[int, Field(ge=2, le=1_000_000, description="values below which no index is told")] = 25

    def _answer(self, record: Record, progress: Progress) -> Answer:
        if self.series in COUNTED:
            raise UsageError(f"capability of {self.series}: counts have no limits; take charts")
        as_of, choice = record.as_of(self.at), self.choice()
        return quality_capability(
            read_series(record, as_of, choice, self.series, progress=progress), as_of, choice.words(), lower=self.lower,
            upper=self.upper, target=self.target, size=self.size, least=self.least, level=self.level,
        )  # fmt: skip


class Paste(Boards):
    """Printed paste: pads, or means of components."""

    by: Literal["pad", "component"] = "pad"
    every: Annotated[bool, Field(description="all pads of long sections, not only the first")] = False

    def _answer(self, record: Record, progress: Progress) -> Answer:
        as_of, choice = record.as_of(self.at), self.choice()
        paste = read_paste(record, as_of, choice, COLUMNS, progress)
        return quality_paste(
            paste, read_parts(record, as_of), choice, by=self.by, level=self.level, every=self.every
        )


class Occurrence(Boards):
    """Where confirmed defects came to be, and what comes with them."""

    within: Annotated[
        Name, Field(description="compare only among equals of this", examples=["component part", "position"])
    ] = None
    controls: Annotated[
        int, Field(ge=0, le=100, description="boards like each affected one, not affected")
    ] = 0
    seed: Annotated[int, Field(ge=0, le=2**31 - 1, description="of the choice of controls")] = 1
    bands: Annotated[
        str, Field(max_length=200, pattern=r"^[0-9]{1,5}(\.[0-9]{1,5})?(,[0-9]{1,5}(\.[0-9]{1,5})?)*$",
                   description="edges of the bands of paste volume, percent", examples=["50,85,115,150"]),
    ] = ",".join(f"{edge:g}" for edge in EDGES)  # fmt: skip
    every: Annotated[bool, Field(description="all rows of long sections, not only the first")] = False

    def _answer(self, record: Record, progress: Progress) -> Answer:
        choice = self.choice()
        return quality_occurrence(
            read_ground(record, record.as_of(self.at), choice, progress), choice, within=self.within,
            controls=self.controls, seed=self.seed, edges=[float(edge) for edge in self.bands.split(",")],
            level=self.level, every=self.every,
        )  # fmt: skip


class Gauge(Question):
    """Repeatability of measuring machines, and what they find of what they have to, from verifications in the record."""

    program_revision: Name = None
    method: Annotated[
        Literal["anova", "range"], Field(description="analysis of variance, or average and range")
    ] = "anova"
    tolerance: Annotated[float | None, Field(gt=0, description="width of the limits")] = None

    def _answer(self, record: Record, progress: Progress) -> Answer:
        as_of = record.as_of(self.at)
        choice = self.choice()._replace(program_revision=self.program_revision)
        verified = read_verifications(record, as_of, choice, progress)
        return quality_gauge(
            verified.values,
            as_of,
            choice.words(),
            method=self.method,
            tolerance=self.tolerance,
            verified=verified,
        )


QUALITY: Final[Mapping[str, type[Question]]] = {
    "yield": Yield, "charts": Charts, "capability": Capability, "paste": Paste, "occurrence": Occurrence, "gauge": Gauge,
}  # fmt: skip
"""By the name of the view."""
