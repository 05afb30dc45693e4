"""Every setting: typed, frozen, unknown keys refused, validated whole before anything starts.

Paths are relative to the configuration file's folder. Secrets never stand in the file: they are named by
`password_file` or `password_env`.
"""

import json
import tomllib
from collections.abc import Iterable
from fnmatch import fnmatchcase
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from broker_bridge.errors import ConfigError
from broker_bridge.events.base import Lane, Name, Text

Role = Literal["broker", "edge", "recorder", "projector", "outlets", "web"]
ROLES: Final[tuple[Role, ...]] = ("broker", "edge", "recorder", "projector", "outlets", "web")

Port = Annotated[int, Field(ge=0, le=65535)]
HostName = Annotated[str, Field(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9:._-]+$")]
"""A host's name or address."""


def _root(value: str) -> str:
    levels = value.split("/")
    if not all(level and level.replace("-", "").replace("_", "").isalnum() for level in levels):
        raise ValueError(
            "must be topic levels of letters, digits, - and _, without leading or trailing slash"
        )
    return value


def _zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (LookupError, ValueError, OSError):
        raise ValueError("is no time zone; use an IANA name such as Europe/Berlin") from None
    return value


Zone = Annotated[str, AfterValidator(_zone)]
"""IANA name of a time zone."""


class Section(BaseModel):
    """Base of all sections."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Plant(Section):
    """Where all this stands."""

    site: Name
    topic_root: Annotated[str, AfterValidator(_root)] = "plant"
    """First level or levels of every topic."""


class Login(Section):
    """A user name at the broker and where its password lies."""

    username: Text
    password_file: Path | None = None
    """A file that only this user may read."""
    password_env: str | None = None
    """Name of an environment variable."""

    @model_validator(mode="after")
    def _one_password(self) -> "Login":
        if (self.password_file is None) == (self.password_env is None):
            raise ValueError("a login needs password_file or password_env, one of the two")
        return self


class Broker(Section):
    """The MQTT broker: one of our own on this machine, or any other."""

    kind: Literal["embedded", "external"] = "embedded"
    host: str = "127.0.0.1"
    port: Port = 1883
    """0 with the embedded broker: any free port."""
    store: Path = Path("broker")
    """Folder in which the embedded broker keeps its sessions."""
    credentials: Path | None = None
    """Folder that `broker-bridge secure` makes: authority, certificate, access list, a password for each login. Present
    means TLS, and a login of its own for every role and adapter."""
    names: tuple[HostName, ...] = ()
    """Further names and addresses under which clients reach the embedded broker: they go into its certificate."""
    readers: tuple[Name, ...] = ()
    """Plant systems that may read events and states and publish nothing: a login each."""
    logins: dict[str, Login] = {}
    """Logins that others have made, by the names `broker-bridge secure` prints, in place of those in `credentials`."""
    username: str | None = None
    """One login for all roles, where the broker has no access list."""
    password_file: Path | None = None
    password_env: str | None = None
    ca_file: Path | None = None
    """Certificate authority: present means TLS, with the host name verified."""

    @model_validator(mode="after")
    def _external_has_port(self) -> "Broker":
        if self.kind == "external" and self.port == 0:
            raise ValueError("port 0 means 'any free port' and goes only with kind = \"embedded\"")
        return self

    @model_validator(mode="after")
    def _one_way_to_log_in(self) -> "Broker":
        if self.username is not None and (self.credentials is not None or self.logins):
            raise ValueError("username is one login for all; it does not go with credentials or logins")
        return self


class Record(Section):
    """The record: the events as received."""

    name: Name = "record"
    path: Path = Path("record.db")
    window: Annotated[int, Field(ge=1, le=10_000)] = 500
    """Events committed together at most."""


class Edge(Section):
    """The part that stands near the machines."""

    name: Name = "edge"
    outbox: Path = Path("outbox.db")
    archive: Path = Path("archive")
    """Folder of the raw archive."""
    ceiling_mb: Annotated[float, Field(gt=0)] = 4096
    """Events that no record has yet, in MB, before files wait and live sources lose (as a stated gap)."""
    keep_days: Annotated[float, Field(ge=0)] = 7
    """Days that receipted events are kept for a record restored from backup."""
    archive_days: Annotated[float, Field(gt=0)] = 400
    """Days that raw files are kept. They hold what machines wrote, names of persons included."""
    persons: Path = Path("persons")
    """Folder of the key and the table by which names of persons become pseudonyms before anything is kept."""


class _Adapter(Section):
    name: Name
    area: Name
    line: Name
    station: Name | None = None
    """Absent where the source serves several stations: the mapping tells which."""
    equipment: Text | None = None
    lane: Lane | None = None


class FilesAdapter(_Adapter):
    """Files that machines write into a folder, read through a mapping file."""

    kind: Literal["files"]
    pickup: Literal["drop", "growing", "rewritten"] = "drop"
    """`drop`: files that are whole once they are there. `growing`: logs a machine appends to. `rewritten`: documents
    that a machine writes anew under the same name, with more or changed records."""
    folder: Path
    pattern: str = "*"
    """Shell pattern of the file names to read; others are left alone and counted."""
    mapping: Path
    poll_s: Annotated[float, Field(gt=0, le=3600)] = 1.0
    stable_polls: Annotated[int, Field(ge=1, le=1000)] = 2
    """Polls in a row that size and time of a file must stay the same before it is read."""
    done_marker: str | None = None
    """Suffix of a marker file that says a file is complete, for instance .done."""
    incomplete_after_s: Annotated[float, Field(gt=0)] = 600.0
    """Seconds that a file without its stated end waits for it before it is read as it is, flagged."""
    after: Literal["leave", "delete", "move"] = "leave"
    """What happens to a file once its events are safe in the outbox and its bytes in the archive."""
    move_to: Path | None = None
    max_file_mb: Annotated[float, Field(gt=0, le=4096)] = 64
    start: Literal["beginning", "saved-or-beginning", "saved-or-end", "end"] = "saved-or-beginning"
    final_line_after_s: Annotated[float, Field(gt=0)] | None = None
    """Seconds without a change after which a last line without line end counts, flagged. Absent: 10; growing: only
    incomplete_after_s after another log has followed."""
    forget_after_days: Annotated[float, Field(gt=0)] = 400
    """growing: days after which what is known of a log that is gone is dropped. Beyond them it would be a new one."""
    key: tuple[Text, ...] = ()
    """rewritten: the columns, as the file names them, by which a record is known again when the file is written anew."""
    vanished: Literal["keep", "retract"] = "keep"
    """rewritten: a record that is no longer in the document still holds (it made room), or does not (it was wrong)."""

    @model_validator(mode="after")
    def _keys_fit_the_pickup(self) -> "FilesAdapter":
        stated = self.model_fields_set
        fit = {
            "drop": {"after", "move_to", "done_marker", "stable_polls", "max_file_mb", "final_line_after_s"},
            "growing": {"final_line_after_s", "forget_after_days"},
            "rewritten": {
                "key",
                "vanished",
                "done_marker",
                "stable_polls",
                "max_file_mb",
                "final_line_after_s",
            },
        }
        others = set().union(*fit.values()) - fit[self.pickup]
        if wrong := sorted(stated & others):
            where = " or ".join(f'pickup = "{name}"' for name, keys in fit.items() if wrong[0] in keys)
            raise ValueError(f'{wrong[0]} goes with {where}, not with pickup = "{self.pickup}"')
        if self.pickup == "rewritten" and not self.key:
            raise ValueError(
                'pickup = "rewritten" needs `key`: the columns that tell one record of the document from the others'
            )
        return self

    @model_validator(mode="after")
    def _move_has_a_target(self) -> "FilesAdapter":
        if (self.after == "move") != (self.move_to is not None):
            raise ValueError('move_to goes with after = "move" and only with it')
        if self.move_to == self.folder:
            raise ValueError("move_to is the folder itself: its files would be moved and read again for ever")
        return self


def _service_address(value: str) -> str:
    parts = urlsplit(_web_address(value))
    if parts.path.strip("/") or parts.query:
        raise ValueError("has a path: only the service's address is wanted, https://host:port")
    if parts.scheme == "http" and not _is_loopback(parts.hostname or ""):
        raise ValueError(
            "would send the token unencrypted over the network: https, or a service on this machine"
        )
    return value


class TransferMachine(Section):
    """One machine on the vertical channel of IPC-HERMES-9852: it listens, the supervisor connects."""

    station: Name
    host: Annotated[str, Field(min_length=1, max_length=253)]
    port: Annotated[int, Field(ge=1, le=65535)]
    """SupervisorySystemPort of the machine's configuration. No default: the standard's is not settled."""
    equipment: Text | None = None
    lane: Lane | None = None
    """The plant's number of its only lane, in place of what the machine states."""
    machine_id: Text | None = None
    """What it calls itself. Given: a board message of any other MachineId is rejected, not put on this station."""
    zone: Zone | None = None
    """Where its clock differs from the other machines'."""
    answered_by_order_of: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")] | None = None
    """Pseudonym of the person who switched on that this machine's questions (QueryWorkOrderInfo) are answered from the
    record. Absent: they are recorded and nobody answers."""


class TransferAdapter(_Adapter):
    """A supervisor of machines that announce their boards by IPC-HERMES-9852. It listens and changes nothing, unless a
    machine's questions are to be answered."""

    kind: Literal["transfer"]
    machines: Annotated[tuple[TransferMachine, ...], Field(min_length=1)]
    system_id: Text = "broker-bridge"
    """What we call ourselves (SystemId)."""
    version: Annotated[str, Field(pattern=r"^[1-9][0-9]{0,2}\.[0-9]{1,3}$")] = "1.6"
    """The version of the standard we announce; 1.2 or later."""
    announce: tuple[
        Literal["FeatureConfiguration", "FeatureQueryHermesCapabilities", "FeatureSendHermesCapabilities"],
        ...,
    ] = ()
    """Further features to announce. Which of them a machine wants to see before it lets itself be read is not
    settled."""
    read: tuple[Literal["configuration", "capabilities"], ...] = ()
    """What to ask every machine for once it is connected."""
    zone: Zone | None = None
    """Zone of the machines' clocks: the wire states none. Absent: the offset from UTC that fits best is assumed."""
    clock_tolerance_s: Annotated[float, Field(ge=0, le=366 * 86_400)] = 5.0
    """Where a machine's time is further than this from ours, ours stands in."""
    keep_alive_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    """Seconds between signs of life. A machine that answers them proves that nothing was lost before."""
    answer_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    """Seconds a machine has to accept a connection, to describe itself and to answer a sign of life."""
    silent_s: Annotated[float, Field(gt=0)] | None = None
    """Silence after which a machine counts as gone. Absent: silence alone says nothing, as the standard's own
    period is not settled."""
    reconnect_first_s: Annotated[float, Field(gt=0, le=3600)] = 1.0
    reconnect_longest_s: Annotated[float, Field(gt=0, le=3600)] = 60.0
    labels: Literal["panel", "board"] | None = None
    """What a barcode names where the message lists no sub-boards. Absent: a label, of which is not known."""
    positions: Literal["machine", "plant"] = "machine"
    """Whose numbering the positions of sub-boards follow. Only the plant's are joined with other sources'."""
    board_ids: Literal["guid", "any"] = "guid"
    """`any`: take a BoardId for unique even where it is no GUID, against the standard."""
    placeholders: tuple[Text, ...] = (
        "NOREAD", "NO READ", "NO_READ", "NOBARCODE", "NONE", "NULL", "N/A", "NA", "ERROR", "UNKNOWN", "DUMMY",
    )  # fmt: skip
    """Barcodes that are none, in any case of letters (common practice, no source); so is one character repeated."""
    answer_url: Annotated[str, Field(max_length=2048), AfterValidator(_service_address)] | None = None
    """Where the role `web` is reached that knows the answers: https://host:8080, or http:// on this machine alone."""
    answer_token_file: Path | None = None
    """Its token with the role `read`: a file that only this user may read."""
    answer_ca_file: Path | None = None
    """Certificate authority of that service, where the system's own do not know it."""
    answer_within_ms: Annotated[int, Field(ge=50, le=10_000)] = 500
    """Then the machine gets the standard's not-found."""

    @model_validator(mode="after")
    def _answers_come_from_somewhere(self) -> "TransferAdapter":
        if self.answer_url is None and any(machine.answered_by_order_of for machine in self.machines):
            raise ValueError("answered_by_order_of needs answer_url: where the role web is reached")
        return self

    @model_validator(mode="after")
    def _places_stand_with_the_machines(self) -> "TransferAdapter":
        for key in ("station", "equipment", "lane"):
            if getattr(self, key) is not None:
                raise ValueError(f"{key} stands with each of the machines here, not with the adapter")
        stations = [machine.station for machine in self.machines]
        if twice := {station for station in stations if stations.count(station) > 1}:
            raise ValueError(f"two machines stand at station {min(twice)!r}")
        if self.reconnect_longest_s < self.reconnect_first_s:
            raise ValueError("reconnect_longest_s is below reconnect_first_s")
        return self


class CfxMachine(Section):
    """One machine that speaks IPC-2591 (CFX)."""

    handle: Annotated[str, Field(min_length=1, max_length=255)]
    """Its CFX handle, letter for letter: the Source of its messages."""
    station: Name
    equipment: Text | None = None
    lane: Lane | None = None
    """The plant's number of its only lane, in place of what the machine states."""
    lanes: dict[Text, Lane] = {}
    """The plant's number of each lane, by the machine's number. Absent: the machine's own, from 1 to 99."""
    zone: Zone | None = None
    """Zone of times it states without one."""
    primary_side: Literal["top", "bottom"] | None = None
    """The side its PrimarySurface is. Absent: surfaces stay in the raw bytes."""


def _amqp_address(value: str) -> str:
    parts = urlsplit(value)
    if parts.scheme not in ("amqp", "amqps") or not parts.hostname or parts.query or parts.fragment:
        raise ValueError("is no AMQP address; expected amqp://host:5672 or amqps://host:5671")
    if parts.username or parts.password:
        raise ValueError("holds a login, and a configuration file is no place for one")
    if parts.path.strip("/"):
        raise ValueError("has a path: name the queue in `address`, and a virtual host in `virtual_host`")
    return value


AmqpUrl = Annotated[str, Field(max_length=2048), AfterValidator(_amqp_address)]


class AmqpServer(Section):
    """An AMQP 1.0 broker and how to log in. Without a username SASL ANONYMOUS is used."""

    url: AmqpUrl
    virtual_host: Text | None = None
    """What the connection names as its host, where the broker serves several: "vhost:NAME" with RabbitMQ 3."""
    username: Text | None = None
    password_file: Path | None = None
    """A file that only this user may read."""
    password_env: str | None = None
    """Name of an environment variable that holds it."""
    ca_file: Path | None = None
    """Certificate authority, where the system's own do not know the broker."""
    plain: bool = False
    """amqp:// to another machine: names and passwords can be read on the way."""

    @model_validator(mode="after")
    def _login_is_whole(self) -> "AmqpServer":
        given = (self.password_file is not None) + (self.password_env is not None)
        if self.username is None and given:
            raise ValueError("a password goes with a username")
        if self.username is not None and given != 1:
            raise ValueError("a username needs password_file or password_env, one of the two")
        return self

    @model_validator(mode="after")
    def _nobody_reads_along(self) -> "AmqpServer":
        parts = urlsplit(self.url)
        here = parts.hostname == "localhost" or _is_loopback(parts.hostname or "")
        if parts.scheme == "amqp" and not here and not self.plain:
            raise ValueError("url is plain amqp to another machine: use amqps, or say plain = true")
        return self


class AmqpListener(Section):
    """Where machines connect to directly, without a broker between."""

    host: HostName = "127.0.0.1"
    port: Port = 5672
    """0: any free port."""
    cert_file: Path | None = None
    key_file: Path | None = None
    client_ca_file: Path | None = None
    """Present: only machines with a certificate of this authority may connect."""
    plain: bool = False
    """Open to the network without TLS: only inside the cell of the line."""

    @model_validator(mode="after")
    def _tls_is_whole(self) -> "AmqpListener":
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together")
        if self.client_ca_file is not None and self.cert_file is None:
            raise ValueError("client_ca_file goes with cert_file and key_file")
        here = self.host == "localhost" or _is_loopback(self.host)
        if self.cert_file is None and not here and not self.plain:
            raise ValueError(
                "it listens to the network without TLS: give cert_file and key_file, or say plain = true"
            )
        return self


class CfxAdapter(_Adapter):
    """Machines that speak IPC-2591 (CFX): from a broker's queue, or connecting to us directly."""

    kind: Literal["cfx"]
    machines: Annotated[tuple[CfxMachine, ...], Field(min_length=1)]
    broker: AmqpServer | None = None
    address: Annotated[str, Field(min_length=1, max_length=255)] | None = None
    """With `broker`: the queue to read, as the broker spells it: "/amq/queue/NAME" with RabbitMQ 3. It has to be durable,
    with every exchange of the machines bound to it, and nobody else may read it."""
    listen: AmqpListener | None = None
    other_handles: Literal["reject", "ignore"] = "reject"
    """Messages of machines that are not named here: kept as rejected, or left aside where the queue serves others too."""
    window: Annotated[int, Field(ge=1, le=2000)] = 200
    """Messages under way from the broker, or a machine, that are not safe in the outbox yet."""
    clock_tolerance_s: Annotated[float, Field(ge=0, le=366 * 86_400)] = 300.0
    """A machine's time that lies further ahead of ours is not believed. Behind, any age is: machines send late."""
    silent_after: Annotated[float, Field(ge=1.5, le=100)] = 3.0
    """Heartbeat periods without a sign of life after which a machine is reported as away."""
    max_message_mb: Annotated[float, Field(gt=0, le=256)] = 16
    """Size of a message's body, unpacked."""
    labels: Literal["panel", "board", "carrier"] | None = None
    """What PrimaryIdentifier names. Absent: a label, of which is not known; a panel where its units have names of their
    own or are numbered in it."""
    positions: Literal["machine", "plant"] = "machine"
    """Whose numbering PositionNumber follows. Only the plant's is joined with other sources'."""
    placeholders: tuple[Text, ...] = (
        "NOREAD", "NO READ", "NO_READ", "NOBARCODE", "NONE", "NULL", "N/A", "NA", "ERROR", "UNKNOWN", "DUMMY",
    )  # fmt: skip
    """Identifiers that are none, in any case of letters (common practice, no source); so is one character repeated."""
    transactions: Annotated[int, Field(ge=1, le=10_000)] = 64
    """Transactions of a machine that are remembered, the youngest: their identifiers may come late."""
    remember: Annotated[int, Field(ge=0, le=1_000_000)] = 50_000
    """Messages whose UniqueID is remembered, the youngest, so that one that is sent again is known at once."""

    @model_validator(mode="after")
    def _places_stand_with_the_machines(self) -> "CfxAdapter":
        for key in ("station", "equipment", "lane"):
            if getattr(self, key) is not None:
                raise ValueError(f"{key} stands with each of the machines here, not with the adapter")
        handles = [machine.handle for machine in self.machines]
        if twice := {handle for handle in handles if handles.count(handle) > 1}:
            raise ValueError(f"two machines have the handle {min(twice)!r}")
        return self

    @model_validator(mode="after")
    def _one_way_in(self) -> "CfxAdapter":
        if (self.broker is None) == (self.listen is None):
            raise ValueError("a cfx adapter needs broker or listen, one of the two")
        if (self.broker is None) != (self.address is None):
            raise ValueError("address names the queue at `broker`: they go together")
        return self


class AssertionsAdapter(_Adapter):
    """What persons state with `broker-bridge assert` on this machine."""

    kind: Literal["assertions"]
    poll_s: Annotated[float, Field(gt=0, le=60)] = 0.5


class DeclarationsAdapter(_Adapter):
    """Master data that a person or plant system hands in with `broker-bridge declare`: lines, parts, materials."""

    kind: Literal["declarations"]
    poll_s: Annotated[float, Field(gt=0, le=60)] = 0.5


AnyAdapter = Annotated[
    FilesAdapter | TransferAdapter | CfxAdapter | AssertionsAdapter | DeclarationsAdapter,
    Field(discriminator="kind"),
]


class _Outlet(Section):
    """What all ways out have in common. Its position is kept by its name: another name begins anew."""

    name: Name
    types: Annotated[tuple[Text, ...], Field(min_length=1)] = ("*",)
    """Shell patterns of the event types that leave: "board.*", "inspection.completed" ..."""
    lines: tuple[Name, ...] = ()
    """Only these lines; empty: all."""
    start: Literal["beginning", "end"] = "beginning"
    """Where a new outlet begins: with the record's first event, or with what comes from now on."""
    allow: tuple[Literal["persons", "raw"], ...] = ()
    """What may leave besides: `persons`, the pseudonyms of who stood at a machine; `raw`, the raw bytes in an event."""
    markings: tuple[Text, ...] = ()
    """Markings of parts (secrecy, export control) whose data may leave here. All other marked parts stay."""
    unknown_parts: bool = False
    """Where parts are marked: whether events may leave about boards of which nothing tells the part."""
    dead_letters: Annotated[int, Field(ge=1, le=1_000_000)] = 1000
    """Refused events at which the outlet stops and waits for a person."""


def _web_address(value: str) -> str:
    parts = urlsplit(value)
    if parts.scheme not in ("https", "http") or not parts.hostname or parts.fragment:
        raise ValueError("is no web address; expected https://host/path")
    if parts.username or parts.password:
        raise ValueError("holds a login, and a configuration file is no place for one")
    return value


class WebhookOutlet(_Outlet):
    """Events sent by HTTP to a plant system, signed as Standard Webhooks 1.0 says."""

    kind: Literal["webhook"]
    url: Annotated[str, Field(max_length=2048), AfterValidator(_web_address)]
    secret_file: Path | None = None
    """The key both ends sign with: `whsec_` and base64. A file that only this user may read."""
    secret_env: str | None = None
    """Name of an environment variable that holds it."""
    former_secret_file: Path | None = None
    """While a key is being replaced: the one before, signed with as well."""
    ca_file: Path | None = None
    """Certificate authority of the receiver, where the system's own do not know it."""
    plain_http: bool = False
    """http:// to another machine: everybody between can read and hold back what is sent, though not change it."""
    timeout_s: Annotated[float, Field(gt=0, le=300)] = 20.0
    at_once: Annotated[int, Field(ge=1, le=64)] = 4
    """Requests under way at the same time; those about one board always follow each other."""
    attempts: Annotated[int, Field(ge=1, le=1000)] = 12
    """Times that the receiver may fail (500) on one event, while it takes others, before that is a dead letter."""

    @model_validator(mode="after")
    def _one_secret(self) -> "WebhookOutlet":
        if (self.secret_file is None) == (self.secret_env is None):
            raise ValueError("a webhook needs secret_file or secret_env, one of the two")
        return self

    @model_validator(mode="after")
    def _nobody_reads_along(self) -> "WebhookOutlet":
        parts = urlsplit(self.url)
        here = parts.hostname == "localhost" or _is_loopback(parts.hostname or "")
        if parts.scheme == "http" and not here and not self.plain_http:
            raise ValueError("url is plain http to another machine: use https, or say plain_http = true")
        return self


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


TableName = Literal["events", "visits", "inspections", "defects", "materials", "pads"]


class TablesOutlet(_Outlet):
    """Parquet files by day, for analysis with other tools."""

    kind: Literal["tables"]
    folder: Path
    """Below `data` unless absolute. Nothing else may lie in it."""
    tables: Annotated[tuple[TableName, ...], Field(min_length=1)] = (
        "events", "visits", "inspections", "defects", "materials", "pads",
    )  # fmt: skip
    csv: bool = False
    """CSV beside each Parquet file."""
    every_s: Annotated[float, Field(gt=0, le=86_400)] = 600.0
    """Seconds between two looks at the record: the files of today are written anew each time."""

    @model_validator(mode="after")
    def _tables_are_whole(self) -> "TablesOutlet":
        if wrong := {"types", "lines"} & self.model_fields_set:
            raise ValueError(
                f"{min(wrong)} does not go with tables: they are of the whole record; say `tables`"
            )
        if self.start != "beginning":
            raise ValueError('start = "end" does not go with tables: they are of the whole record')
        return self


class CfxOutlet(_Outlet):
    """Events published as messages of IPC-2591 (CFX), each in the name of the station it came from."""

    kind: Literal["cfx"]
    broker: AmqpServer
    address: Annotated[str, Field(min_length=1, max_length=255)]
    """Where to publish, as the broker spells it: "/exchange/NAME" with RabbitMQ 3; the message's subject is the routing
    key then."""
    proof: Annotated[str, Field(min_length=1, max_length=255)] | None = None
    """With RabbitMQ: the queue that takes what no other queue does (alternate exchange). It is read, and every message
    found there is an unroutable one: a dead letter."""
    handle: Annotated[str, Field(min_length=1, max_length=255)] = "BrokerBridge.${line}.${station}"
    """Form of the handles we speak under: ${site}, ${area}, ${line}, ${adapter} and ${station} of the event; a station
    that is not known is the adapter's name."""
    subject: Annotated[str, Field(min_length=1, max_length=255)] = "${cfx-handle}.${cfx-messagename}"
    """Form of a message's subject: ${cfx-handle}, ${cfx-topic}, ${cfx-messagename}."""
    heartbeat_s: Annotated[float, Field(ge=0, le=300)] = 60.0
    """Seconds between heartbeats; 0: none. IPC-2591 allows 1 s to 5 min."""
    answer_s: Annotated[float, Field(gt=0, le=300)] = 20.0
    """Seconds the broker has to take what is sent."""


AnyOutlet = Annotated[WebhookOutlet | TablesOutlet | CfxOutlet, Field(discriminator="kind")]


class Web(Section):
    """Pages and the interface to call. Without tokens whoever reaches the port may read: then this machine alone."""

    host: HostName = "127.0.0.1"
    port: Port = 8080
    """0: any free port."""
    names: tuple[HostName, ...] = ()
    """Further names under which browsers and programs reach it: others are refused."""
    tokens: Path | None = Path("web/tokens.json")
    """Table of tokens, written by `broker-bridge tokens`; absent where a record is served alone."""
    cert_file: Path | None = None
    key_file: Path | None = None
    plain_http: bool = False
    """Open to the network without TLS: only behind a proxy on this machine's side that speaks it."""
    requests_per_minute: Annotated[int, Field(ge=10, le=1_000_000)] = 1200
    """For each address."""
    processes: Annotated[int, Field(ge=0, le=64)] | None = None
    """Beside the service, to put histories together; 0: the service does it itself. One for each processor, at most four,
    unless given."""

    @model_validator(mode="after")
    def _certificate_with_key(self) -> "Web":
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together")
        return self


class Metrics(Section):
    """Figures and health of every `run` on this machine, for whoever watches services. Whoever reaches it may read."""

    port: Port
    """0: any free port."""
    host: HostName = "127.0.0.1"


class Settings(Section):
    """The whole configuration file."""

    roles: Annotated[tuple[Role, ...], Field(min_length=1)] = ROLES[:-1]
    """What `run` starts on this machine."""
    data: Path = Path(".")
    """Folder for everything that is written, unless a path says otherwise."""
    plant: Plant
    broker: Broker = Broker()
    record: Record = Record()
    edge: Edge = Edge()
    web: Web = Web()
    metrics: Metrics | None = None
    """Absent: no figures are served."""
    adapters: tuple[AnyAdapter, ...] = ()
    outlets: tuple[AnyOutlet, ...] = ()

    @model_validator(mode="after")
    def _names_are_unique(self) -> "Settings":
        seen: set[str] = set()
        for adapter in self.adapters:
            if adapter.name in seen:
                raise ValueError(f"two adapters are called {adapter.name!r}")
            seen.add(adapter.name)
        names = [outlet.name for outlet in self.outlets]
        if twice := {name for name in names if names.count(name) > 1}:
            raise ValueError(f"two outlets are called {min(twice)!r}")
        return self

    @model_validator(mode="after")
    def _record_and_outbox_are_two_files(self) -> "Settings":
        if self.data / self.edge.outbox == self.data / self.record.path:
            raise ValueError(
                f"edge.outbox and record.path are both {str(self.record.path)!r}; each needs a file of its own"
            )
        return self

    def source(self, adapter: _Adapter) -> str:
        """The CloudEvents source of an adapter."""
        return f"/{self.plant.site}/{adapter.area}/{adapter.line}/{adapter.name}"

    def position(self, outlet: _Outlet) -> Path:
        """Where the position of an outlet is kept."""
        return self.data / "outlets" / f"{outlet.name}.db"


_WRITTEN: Final = {
    ("record", "path"), ("edge", "outbox"), ("edge", "archive"), ("edge", "persons"),
    ("broker", "store"), ("broker", "credentials"), ("web", "tokens"),
}  # fmt: skip
_LARGEST: Final = 2**20
_READ: Final = {("broker", "password_file"), ("broker", "ca_file"), ("web", "cert_file"), ("web", "key_file")}
_ADAPTER_PATHS: Final = ("folder", "mapping", "move_to", "answer_token_file", "answer_ca_file")
_OUTLET_PATHS: Final = ("secret_file", "former_secret_file", "ca_file")


def load(path: Path) -> Settings:
    """Read and check a configuration file; all paths in the result are absolute.

    Raises ConfigError naming file, key, offending value and what is allowed.
    """
    try:
        if path.stat().st_size > _LARGEST:
            raise ConfigError(f"{path}: is larger than {_LARGEST:,} bytes; that is no configuration")
        text = path.read_text(encoding="utf-8-sig")  # some editors put a byte order mark in front
        document = tomllib.loads(text)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: is not UTF-8 text (byte {error.start})") from error
    except (ValueError, RecursionError) as error:  # endless numbers and nesting included
        raise ConfigError(f"{path}: is not TOML: {error}") from error
    if (key := _holding_nul(document)) is not None:
        raise ConfigError(f"{path}: {key}: holds a NUL character, which no path or name may hold; remove it")
    try:
        # By way of JSON, where strict reading takes texts for paths but no longer "1" or true for a number.
        settings = Settings.model_validate_json(json.dumps(document, default=str), strict=True)
    except ValidationError as error:
        raise ConfigError(told(error, path)) from None
    settings = _absolute(settings, path.resolve().parent)
    _refuse_shared_files(settings, path)
    return settings


def _holding_nul(value: Any, key: str = "") -> str | None:
    """The key of the first text, or the first key, that holds a NUL character: the system's calls end texts there."""
    match value:
        case str():
            return key if "\x00" in value else None
        case dict():
            inside: Iterable[tuple[str, Any]] = value.items()
        case list():
            inside = ((str(place), one) for place, one in enumerate(value, 1))
        case _:
            return None
    for name, one in inside:
        below = f"{key}.{name}".lstrip(".")
        if (found := repr(below) if "\x00" in name else _holding_nul(one, below)) is not None:
            return found
    return None


def told(error: ValidationError, path: Path) -> str:
    """A validation error as lines of `file: key = value: what is wrong`, for configuration and mapping files."""
    lines = []
    for finding in error.errors(include_url=False):
        steps = list(finding["loc"])
        if steps[:1] in (["adapters"], ["outlets"]):
            del steps[2:3]  # the kind, which is no key of the file
        key = ".".join(f"{step + 1}" if isinstance(step, int) else step for step in steps)
        problem = finding["msg"].removeprefix("Value error, ")
        if finding["type"] == "extra_forbidden":
            # A password that somebody wrote into the file must not go on into a log.
            value = "not shown" if "pass" in key.lower() else f"value {_shortened(finding['input'])}"
            lines.append(f"{path}: {key}: unknown key ({value}); remove it or correct its name")
        elif finding["type"] == "missing":
            lines.append(f"{path}: {key}: missing; it has to be given")
        else:
            value = _shortened(finding["input"])
            lines.append(f"{path}: {key or 'file'} = {value}: {problem}")
    return "\n".join(lines)


def _shortened(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 120 else text[:117] + "..."


def _refuse_shared_files(settings: Settings, path: Path) -> None:
    """No file may be read by two adapters: each is a source of its own, so its events would count twice."""
    files = [adapter for adapter in settings.adapters if isinstance(adapter, FilesAdapter)]
    for place, one in enumerate(files):
        folder = one.folder.resolve()
        if one.move_to is not None and one.move_to.resolve() == folder:
            raise ConfigError(
                f"{path}: adapter {one.name!r}: move_to leads to the folder that is read; name another"
            )
        for other in files[place + 1 :]:
            if other.folder.resolve() == folder and _overlap(one.pattern, other.pattern):
                raise ConfigError(
                    f"{path}: adapters {one.name!r} and {other.name!r} both read {folder}: every file would count twice;"
                    " give each its own folder, or `pattern`s that share no file"
                )


def _overlap(one: str, other: str) -> bool:
    """Whether two shell patterns surely share names: one of them takes the other's own text."""
    return one == other or fnmatchcase(one, other) or fnmatchcase(other, one)


def _absolute(settings: Settings, folder: Path) -> Settings:
    data = folder / settings.data
    changes: dict[str, Any] = {"data": data}
    for section_name in ("record", "edge", "broker", "web"):
        section = getattr(settings, section_name)
        update = {
            key: (data if (section_name, key) in _WRITTEN else folder) / value
            for key, value in section
            if (section_name, key) in _WRITTEN | _READ and value is not None
        }
        if section_name == "broker":
            update["logins"] = {
                name: login.model_copy(update={"password_file": folder / login.password_file})
                if login.password_file
                else login
                for name, login in section.logins.items()
            }
        changes[section_name] = section.model_copy(update=update)
    for name in ("adapters", "outlets"):
        changes[name] = tuple(_with_absolute_ends(one, folder) for one in getattr(settings, name))
    for name, keys, below in (
        ("adapters", _ADAPTER_PATHS, folder),
        ("outlets", _OUTLET_PATHS, folder),
        ("outlets", ("folder",), data),
    ):
        changes[name] = tuple(
            one.model_copy(update={key: below / value for key in keys if (value := getattr(one, key, None))})
            for one in changes.get(name, getattr(settings, name))
        )
    return settings.model_copy(update=changes)


def _with_absolute_ends(one: Any, folder: Path) -> Any:
    """An adapter or outlet whose AMQP ends name their files absolutely."""
    changes = {}
    for key in ("broker", "listen"):
        end = getattr(one, key, None)
        if isinstance(end, AmqpServer | AmqpListener):
            update = {name: folder / value for name, value in end if isinstance(value, Path)}
            changes[key] = end.model_copy(update=update)
    return one.model_copy(update=changes) if changes else one
