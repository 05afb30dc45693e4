"""The fault profile: what goes wrong in a run, how often, where. A TOML file, typed, unknown keys refused.

Every table and key is optional; what is absent does not happen. Rates are shares from 0 to 1. `stations`
limits a fault to the stations named; absent means all that it can touch.
"""

import dataclasses
import tomllib
import types
import typing
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from broker_bridge.errors import ConfigError
from broker_bridge.simulate.stations import STATIONS


def _rate(default: float = 0.0) -> Any:
    return field(default=default, metadata={"low": 0.0, "high": 1.0})


def _positive(default: float) -> Any:
    return field(default=default, metadata={"low": 0.0})


@dataclass(frozen=True, slots=True)
class Process:
    """How good the plant itself is. No faults: these make no `fault` line in the truth."""

    false_calls_per_million: float = _positive(2500.0)  # of inspected components
    defect_scale: float = _positive(1.0)  # multiplies every rate of real defects
    review_delay_s: float = _positive(600.0)  # mean time from unloading to a review desk
    late_reviews: float = _rate()  # share of reviews left for a later shift (4 to 12 h)
    splices: float = _rate(0.3)  # share of reel changes done by splicing
    stops: bool = True  # machines jam now and then


@dataclass(frozen=True, slots=True)
class Reporting:
    """A share of the records and messages of some stations that do not come as they should."""

    rate: float = _rate()
    stations: tuple[str, ...] = ()
    channel: Literal["any", "files", "transfers"] = "any"
    seconds: float = _positive(60.0)  # only for `delayed`: the mean delay


@dataclass(frozen=True, slots=True)
class Clock:
    """What is wrong with one machine's clock. Seconds; positive is fast."""

    station: str = ""
    offset_s: float = 0.0
    drift_ppm: float = 0.0
    step_s: float = 0.0
    step_at_s: float = _positive(0.0)  # when the step happens, in seconds of plant time since the start


@dataclass(frozen=True, slots=True)
class Barcode:
    """Readings that are not the code of the panel or board at hand."""

    unread: float = _rate()
    stale: float = _rate()  # the code of the one before is reported again
    typed: float = _rate()  # typed by hand with a slip (REVIEW and TEST only)
    dummy: float = _rate()  # a placeholder is given instead
    late_label: float = _rate()  # share of panels that get their codes before the second side only
    stations: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Files:
    """What happens to files after the machine made them. Rates are per file, or per record of a growing log."""

    half_written: float = _rate()
    redropped: float = _rate()
    renamed: float = _rate()
    gzipped: float = _rate()
    exported_again: float = _rate()  # written once more under another name, with other line ends
    rotate_after: int = field(default=0, metadata={"low": 0})  # records of a growing log; 0 never
    rotation: Literal["rename", "copy-truncate"] = "rename"
    stations: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Connections:
    """Vertical-channel connections that break."""

    cuts_per_hour: float = _positive(0.0)
    outage_s: float = _positive(30.0)  # mean time before the station answers again
    stations: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Handling:
    """What hands do to panels. Rates are per movement between stations (removed, turned) or per position."""

    removed: float = _rate()  # taken out and put back later, now and then one station further
    turned: float = _rate()  # put in turned by 180 degrees
    skipped_positions: float = _rate()  # crossed out by the maker of the bare boards
    skip_list_lost: float = _rate()  # share of panels with crossed-out boards that AOI takes for whole
    magazine_swaps: float = _rate()  # share of magazines changed without telling the unloader


@dataclass(frozen=True, slots=True)
class Inspection:
    """Panels that an inspection machine lets through."""

    bypassed: float = _rate()  # AOI: no record at all
    sampled_every: int = field(default=1, metadata={"low": 1})  # SPI measures every n-th panel


@dataclass(frozen=True, slots=True)
class Material:
    """Reels that are not what their label or the log says."""

    lot_split: float = _rate()  # share of new reels that hold two lots under one id
    unproven_setup: float = _rate()  # share of set-ups that nobody scanned
    two_slots: float = _rate()  # share of items for several places that are fed from two slots


@dataclass(frozen=True, slots=True)
class Printing:
    wash_reprint: float = _rate()  # share of prints washed off and printed again


@dataclass(frozen=True, slots=True)
class Verification:
    reference_every: int = field(default=0, metadata={"low": 0})  # panels between reference boards; 0 never


@dataclass(frozen=True, slots=True)
class Testing:
    retest: float = _rate()  # share of good boards that fail by bad contact and pass when tested again


@dataclass(frozen=True, slots=True)
class Programs:
    edited: float = _rate()  # share of runs in which a program is edited under its old name


@dataclass(frozen=True, slots=True)
class Orders:
    split: float = _rate()  # share of work orders whose second half runs under another name


@dataclass(frozen=True, slots=True)
class BadNozzle:
    """A nozzle that loses or shifts parts."""

    nozzle: str = ""  # as the placement program names it; empty: none is bad
    rate: float = _rate()  # of the parts it places


@dataclass(frozen=True, slots=True)
class PoorReel:
    """A reel of parts that do not take solder."""

    item: str = ""  # part number of the component; empty: none is poor
    number: int = field(default=1, metadata={"low": 1})  # which of the reels of that item, as they are opened
    rate: float = _rate()  # of its parts


@dataclass(frozen=True, slots=True)
class WornAperture:
    """One opening of one stencil that gives a little less with every print."""

    part: str = ""  # empty: none wears
    side: str = ""
    position: int = field(default=1, metadata={"low": 1})
    designator: str = ""
    termination: int = field(default=1, metadata={"low": 1})
    per_print: float = _rate()  # share of the volume that is lost with every print


@dataclass(frozen=True, slots=True)
class PrintOffset:
    """Every print lies off its pads: seen from the printed side, about the middle of the panel."""

    shift_x_um: float = 0.0
    shift_y_um: float = 0.0
    rotation_mrad: float = 0.0  # counterclockwise


@dataclass(frozen=True, slots=True)
class TopUp:
    works: float = _rate(1.0)  # share of top-ups that take; one that does not leaves the joint open
    left: float = _rate()  # share of the pads called low that are not topped up


@dataclass(frozen=True, slots=True)
class SlowStation:
    """A station that takes longer for every panel. Not LOAD, OVEN, REVIEW and TEST."""

    station: str = ""  # empty: none is slow
    seconds: float = _positive(0.0)  # more than it would take


@dataclass(frozen=True, slots=True)
class DownStation:
    """A station that stands still, with a panel inside: its work on that is done. Not LOAD, OVEN, REVIEW and TEST."""

    station: str = ""  # empty: none stands
    every: int = field(default=0, metadata={"low": 0})  # panels from stop to stop; 0 never
    seconds: float = _positive(0.0)  # of each stop


@dataclass(frozen=True, slots=True)
class Causes:
    """Causes of defects and losses that a plant would look for: for tests of what finds them."""

    nozzle: BadNozzle = BadNozzle()
    reel: PoorReel = PoorReel()
    aperture: WornAperture = WornAperture()
    offset: PrintOffset = PrintOffset()
    top_up: TopUp = TopUp()
    slow: SlowStation = SlowStation()
    down: DownStation = DownStation()


@dataclass(frozen=True, slots=True)
class Profile:
    """Everything that may go wrong in a run, and how good the plant is."""

    name: str = "clean"
    process: Process = Process()
    lost: Reporting = Reporting()
    doubled: Reporting = Reporting()
    disordered: Reporting = Reporting()
    delayed: Reporting = Reporting()
    clock: tuple[Clock, ...] = ()
    barcode: Barcode = Barcode()
    files: Files = Files()
    connections: Connections = Connections()
    handling: Handling = Handling()
    inspection: Inspection = Inspection()
    material: Material = Material()
    printing: Printing = Printing()
    verification: Verification = Verification()
    testing: Testing = Testing()
    programs: Programs = Programs()
    orders: Orders = Orders()
    causes: Causes = Causes()


def load_profile(name: str | Path) -> Profile:
    """Read a profile: `clean`, `rough`, `plant_life` or `causes`, which come with the package, or a path to a TOML file.

    Raises ConfigError naming the file and the key when the file is absent, is no TOML, or holds a key or a
    value that is not allowed.
    """
    builtin = resources.files("broker_bridge.simulate").joinpath("profiles", f"{name}.toml")
    try:
        text = builtin.read_text("utf-8") if builtin.is_file() else Path(name).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(
            f"fault profile {name}: cannot be read ({error}); name clean, rough, plant_life, causes or a TOML file"
        ) from error
    return parse_profile(text, str(name))


def parse_profile(text: str, file: str) -> Profile:
    """As `load_profile`, from the file's text; `file` is only for messages."""
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise ConfigError(f"fault profile {file}: not valid TOML: {error}") from error
    profile: Profile = _build(Profile, table, file, "")
    return profile


def _build(cls: Any, table: dict[str, Any], file: str, path: str) -> Any:
    hints = typing.get_type_hints(cls)
    fields = {f.name: f for f in dataclasses.fields(cls)}
    for key in table:
        if key not in fields:
            known = ", ".join(fields)
            raise ConfigError(f"fault profile {file}: unknown key {path}{key}; known here: {known}")
    return cls(
        **{
            key: _value(hints[key], value, fields[key].metadata, file, f"{path}{key}")
            for key, value in table.items()
        }
    )


def _value(
    hint: Any, value: Any, limits: types.MappingProxyType[Any, Any] | Any, file: str, path: str
) -> Any:
    def refuse(wanted: str) -> ConfigError:
        return ConfigError(f"fault profile {file}: {path} = {value!r}: must be {wanted}")

    if dataclasses.is_dataclass(hint):
        if not isinstance(value, dict):
            raise refuse("a table")
        return _build(hint, value, file, f"{path}.")
    if hint == tuple[Clock, ...]:
        if not isinstance(value, list):
            raise refuse("a list of tables, [[clock]]")
        clocks = tuple(_build(Clock, item, file, f"{path}.") for item in value)
        for clock in clocks:
            if clock.station not in STATIONS:
                raise ConfigError(
                    f"fault profile {file}: {path}.station = {clock.station!r}: must be one of {', '.join(STATIONS)}"
                )
        return clocks
    if hint == tuple[str, ...]:
        if not isinstance(value, list) or any(item not in STATIONS for item in value):
            raise refuse(f"a list of stations out of {', '.join(STATIONS)}")
        return tuple(value)
    if typing.get_origin(hint) is Literal:
        if value not in typing.get_args(hint):
            raise refuse("one of " + ", ".join(typing.get_args(hint)))
        return value
    if hint is bool or hint is str:
        if not isinstance(value, hint):
            raise refuse("true or false" if hint is bool else "text")
        return value
    wanted = (int,) if hint is int else (int, float)
    if isinstance(value, bool) or not isinstance(value, wanted):
        raise refuse("a whole number" if hint is int else "a number")
    low, high = limits.get("low"), limits.get("high")
    if (low is not None and value < low) or (high is not None and value > high) or value != value:
        raise refuse(f"between {low} and {high}" if high is not None else f"at least {low}")
    return hint(value)
