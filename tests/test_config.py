"""A configuration is right as a whole, or refused with file, key, value and what is allowed."""

from collections.abc import Callable
from pathlib import Path

import pytest

from broker_bridge.config import ROLES, Broker, Section, Settings, load
from broker_bridge.errors import ConfigError

PLANT = '[plant]\nsite = "harbour"\n'
ADAPTER = """
[[adapters]]
kind = "files"
name = "paste"
area = "smt"
line = "l1"
folder = "in"
mapping = "paste.toml"
"""

Writer = Callable[[str], Path]


@pytest.fixture
def written(tmp_path: Path) -> Writer:
    def write(text: str) -> Path:
        path = tmp_path / "plant.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_the_least_there_has_to_be(written: Writer) -> None:
    settings = load(written(PLANT))
    assert settings.plant.site == "harbour"
    assert settings.roles == tuple(role for role in ROLES if role != "web")
    assert settings.adapters == ()


def test_all_paths_are_absolute_and_beside_the_file(written: Writer, tmp_path: Path) -> None:
    settings = load(
        written(
            'data = "var"\n' + PLANT + '[broker]\npassword_file = "secret"\nca_file = "ca.pem"\n'
            '[edge]\narchive = "/srv/archive"\n' + ADAPTER + 'after = "move"\nmove_to = "done"\n'
        )
    )
    assert settings.data == tmp_path / "var"
    assert settings.record.path == tmp_path / "var" / "record.db"
    assert settings.edge.outbox == tmp_path / "var" / "outbox.db"
    assert settings.edge.archive == Path("/srv/archive")
    assert settings.broker.store == tmp_path / "var" / "broker"
    assert settings.broker.password_file == tmp_path / "secret"
    assert settings.broker.ca_file == tmp_path / "ca.pem"
    (adapter,) = settings.adapters
    assert adapter.folder == tmp_path / "in"
    assert adapter.mapping == tmp_path / "paste.toml"
    assert adapter.move_to == tmp_path / "done"


def test_no_path_stays_relative(written: Writer) -> None:
    """Whatever path a section gains, it has to be made absolute."""

    def paths(value: object) -> list[Path]:
        if isinstance(value, Path):
            return [value]
        members = value if isinstance(value, tuple) else ()
        if isinstance(value, Section):
            members = tuple(member for _, member in value)
        return [path for member in members for path in paths(member)]

    found = paths(load(written(PLANT + ADAPTER)))
    assert len(found) >= 7
    assert all(path.is_absolute() for path in found)


def test_the_source_of_an_adapter(written: Writer) -> None:
    settings = load(written(PLANT + ADAPTER))
    assert settings.source(settings.adapters[0]) == "/harbour/smt/l1/paste"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ["plant: missing"]),
        (PLANT + "colour = 1\n", ["plant.colour: unknown key (value 1)"]),
        ('[plnt]\nsite = "harbour"\n', ["plnt: unknown key", "plant: missing"]),
        ('[plant]\nsite = "Harbour Works"\n', ["plant.site = 'Harbour Works'", "pattern '^[a-z0-9]"]),
        ("[plant]\nsite = 7\n", ["plant.site = 7", "string"]),
        ("plant = 3\n", ["plant = 3", "object"]),
        ('[plant]\nsite = "h"\ntopic_root = "/a"\n', ["plant.topic_root = '/a'", "without leading"]),
        (PLANT + '[broker]\nkind = "other"\n', ["broker.kind = 'other'", "'embedded' or 'external'"]),
        (PLANT + '[broker]\nport = "1883"\n', ["broker.port = '1883'", "integer"]),
        (PLANT + "[broker]\nport = true\n", ["broker.port = True", "integer"]),
        (PLANT + "[broker]\nport = 70000\n", ["broker.port = 70000", "less than or equal to 65535"]),
        (PLANT + '[broker]\nkind = "external"\nport = 0\n', ["broker = ", "any free port"]),
        (PLANT + "[record]\nwindow = 2.5\n", ["record.window = 2.5", "integer"]),
        (PLANT + "[edge]\nceiling_mb = 0\n", ["edge.ceiling_mb = 0", "greater than 0"]),
        (PLANT + "[edge]\nkeep_days = nan\n", ["edge.keep_days = nan"]),
        (PLANT + "[edge]\nkeep_days = 2026-03-02\n", ["edge.keep_days = '2026-03-02'", "number"]),
        ('roles = ["edge", "printer"]\n' + PLANT, ["roles.2 = 'printer'", "'broker', 'edge', 'recorder'"]),
        ("roles = []\n" + PLANT, ["roles = []", "at least 1"]),
        (PLANT + ADAPTER.replace('"files"', '"tape"'), ["adapters.1", "'tape'", "'files'"]),
        (PLANT + ADAPTER.replace('kind = "files"', ""), ["adapters.1", "'kind'"]),
        (PLANT + ADAPTER + ADAPTER, ["two adapters are called 'paste'"]),
        (PLANT + ADAPTER + "lane = 0\n", ["adapters.1.lane = 0", "greater than or equal to 1"]),
        (PLANT + ADAPTER + "foldr = 1\n", ["adapters.1.foldr: unknown key"]),
        (PLANT + '[edge]\noutbox = "./record.db"\n', ["edge.outbox", "record.path", "a file of its own"]),
        (PLANT + ADAPTER + 'after = "move"\n', ["adapters.1", "move_to goes with"]),
        (PLANT + ADAPTER + 'move_to = "x"\n', ["adapters.1", "move_to goes with"]),
        (PLANT + ADAPTER + 'after = "move"\nmove_to = "./in"\n', ["adapters.1", "move_to", "read again"]),
        (PLANT + ADAPTER.replace('folder = "in"', ""), ["adapters.1", "folder: missing"]),
        (PLANT + "[plant]\n", ["is not TOML", "line 3"]),
        ("site = \n", ["is not TOML", "line 1"]),
        ("site = " + "9" * 5000, ["is not TOML", "4300 digits"]),
        ("site = " + "{a=" * 2000, ["is not TOML", "recursion"]),
    ],
)
def test_what_is_wrong_is_told(written: Writer, text: str, told: list[str]) -> None:
    path = written(text)
    with pytest.raises(ConfigError) as caught:
        load(path)
    message = str(caught.value)
    assert all(line.startswith(f"{path}: ") for line in message.splitlines()), "every line names the file"
    for piece in told:
        assert piece in message


def test_every_finding_is_told_at_once(written: Writer) -> None:
    with pytest.raises(ConfigError) as caught:
        load(written('[plant]\nsite = "A"\n[broker]\nport = -1\n[edge]\nlost = 1\n'))
    assert len(str(caught.value).splitlines()) == 3


def test_a_password_in_the_file_is_not_told(written: Writer) -> None:
    with pytest.raises(ConfigError, match=r"broker\.password: unknown key \(not shown\)") as caught:
        load(written(PLANT + '[broker]\npassword = "hunter2"\n'))
    assert "hunter2" not in str(caught.value)


def test_a_long_value_is_told_shortened(written: Writer) -> None:
    with pytest.raises(ConfigError) as caught:
        load(written(f'[plant]\nsite = "{"x" * 5000}"\n'))
    assert len(str(caught.value)) < 500


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.toml: cannot be read: No such file"):
        load(tmp_path / "none.toml")
    with pytest.raises(ConfigError, match="cannot be read"):
        load(tmp_path)


def test_bytes_that_are_no_text_are_told(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_bytes(PLANT.encode() + b'# caf\xe9\n[edge]\nname = "e"\n')
    with pytest.raises(ConfigError, match=rf"is not UTF-8 text \(byte {len(PLANT) + 5}\)"):
        load(path)


def test_a_byte_order_mark_is_no_trouble(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLANT.encode())
    assert load(path).plant.site == "harbour"


def test_settings_cannot_be_changed() -> None:
    with pytest.raises(ValueError, match="frozen"):
        Broker().port = 1  # type: ignore[misc]


SAMPLES = [
    path
    for path in sorted((Path(__file__).resolve().parents[1] / "deploy").glob("**/*.toml"))
    if "[plant]" in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_the_sample_configuration_loads(path: Path) -> None:
    assert isinstance(load(path), Settings)


TWO_READERS = """
[plant]
site = "harbour-works"
[[adapters]]
kind = "files"
name = "one"
area = "smt"
line = "line-1"
folder = "drop"
mapping = "m.toml"
{one}
[[adapters]]
kind = "files"
name = "other"
area = "smt"
line = "line-1"
folder = "x/../drop"
mapping = "m.toml"
{other}
"""


@pytest.mark.parametrize(
    ("one", "other", "refused"),
    [
        ("", "", True),
        ('pattern = "*.csv"', "", True),
        ('pattern = "*.csv"', 'pattern = "*.csv"', True),
        ('pattern = "spi_*.csv"', 'pattern = "aoi_*.csv"', False),
    ],
)
def test_two_adapters_do_not_read_the_same_files(tmp_path: Path, one: str, other: str, refused: bool) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(TWO_READERS.format(one=one, other=other), encoding="utf-8")
    if refused:
        with pytest.raises(ConfigError, match="'one' and 'other' both read"):
            load(path)
    else:
        load(path)


def test_files_are_not_moved_into_the_folder_they_are_read_from(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    text = TWO_READERS.format(one=f'after = "move"\nmove_to = "{tmp_path}/drop"', other='pattern = "x"')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="move_to leads to the folder"):
        load(path)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('data = "a\\u0000b"\n', "data"),
        ('[[adapters]]\nkind = "files"\nfolder = "a\\u0000"\n', "adapters.1.folder"),
        ('"x\\u0000" = 1\n', "'x\\\\x00'"),
    ],
)
def test_a_text_with_a_nul_is_refused_by_its_key(tmp_path: Path, text: str, key: str) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=f": {key}: holds a NUL"):
        load(path)


def test_a_configuration_beyond_the_limit_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_text('[plant]\nsite = "s"\n' + "#" * 2**20)
    with pytest.raises(ConfigError, match="larger than"):
        load(path)
