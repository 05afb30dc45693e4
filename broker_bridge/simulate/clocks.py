"""What a machine takes the time to be."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from broker_bridge.simulate.profile import Clock

PLANT_ZONE = ZoneInfo("Europe/Lisbon")
"""Where Harbour Works would stand: summer time and the double hour in autumn are part of the exercise."""


class MachineClock:
    """One machine's clock: plant time in seconds to what the machine believes.

    `origin` is the moment of plant time 0 (aware), `speed` how many seconds of plant time pass in a second.
    """

    def __init__(self, origin: datetime, speed: float, faults: tuple[Clock, ...] = ()) -> None:
        self._origin = origin.astimezone(UTC)
        self._rate = 1.0 / speed
        self._faults = faults

    def utc(self, seconds: float) -> datetime:
        """The moment in UTC, aware, as far off as the clock is."""
        real = seconds * self._rate
        if self._faults:
            wrong = 0.0
            for fault in self._faults:
                wrong += fault.offset_s + fault.drift_ppm * 1e-6 * seconds
                if fault.step_s and seconds >= fault.step_at_s:
                    wrong += fault.step_s
            real += wrong
        return self._origin + timedelta(seconds=real)

    def local(self, seconds: float) -> datetime:
        """As `utc`, in the plant's zone."""
        return self.utc(seconds).astimezone(PLANT_ZONE)
