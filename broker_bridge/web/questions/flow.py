"""The questions of flow: the line, its stations, changeovers, where stations' time goes."""

from collections.abc import Mapping
from typing import Final

from broker_bridge.errors import UsageError
from broker_bridge.queries.columns import Progress
from broker_bridge.queries.flow import flow_changes, flow_line, flow_stations
from broker_bridge.queries.flow_columns import Flow, read_flow
from broker_bridge.queries.flow_time import flow_time
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer
from broker_bridge.web.questions.conditions import Question


class _Flow(Question):
    def _read(self, record: Record, progress: Progress) -> Flow:
        as_of = record.as_of()
        if self.at not in (None, as_of.commit):
            raise UsageError(
                "flow is told as of the newest commit here; `broker-bridge flow` tells an older one"
            )
        return read_flow(record, self.choice(), as_of, progress)


class Line(_Flow):
    """Throughput, boards in process, what bounds the line, balance."""

    def _answer(self, record: Record, progress: Progress) -> Answer:
        return flow_line(self._read(record, progress), self.choice().words(), level=self.level)


class Stations(_Flow):
    """Cycle, stay, busy, blocked and starved shares of each station."""

    def _answer(self, record: Record, progress: Progress) -> Answer:
        return flow_stations(self._read(record, progress), self.choice().words(), level=self.level)


class Changes(_Flow):
    """Changeovers from program to program."""

    def _answer(self, record: Record, progress: Progress) -> Answer:
        return flow_changes(self._read(record, progress), self.choice().words(), level=self.level)


class Time(_Flow):
    """The six states of SEMI E10, failures, repairs, overall effectiveness, alarms."""

    def _answer(self, record: Record, progress: Progress) -> Answer:
        return flow_time(
            record, self._read(record, progress), self.choice().words(), level=self.level, progress=progress
        )


FLOW: Final[Mapping[str, type[Question]]] = {
    "line": Line,
    "stations": Stations,
    "changes": Changes,
    "time": Time,
}
"""By the name of the view."""
