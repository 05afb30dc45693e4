"""What `check` says of certificates, passwords and the access list."""

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from broker_bridge.bus.authority import Signed, covers, leads_to, make_authority, make_server, read_chain
from broker_bridge.bus.securing import secure
from broker_bridge.config import Settings
from broker_bridge.health.credentials import credentials

NOW = datetime.now(UTC)


def plant(data: Path, **broker: object) -> Settings:
    return Settings.model_validate(
        {
            "plant": {"site": "harbour-works"},
            "edge": {"persons": data / "persons"},
            "broker": {"credentials": data / "credentials", **broker},
        }
    )


def told(settings: Settings, now: datetime = NOW) -> list[tuple[str, str]]:
    return [(one.level, one.text) for one in credentials(settings, now) if one.level != "fine"]


def secured(data: Path) -> Settings:
    settings = plant(data)
    secure([settings], data / "credentials", now=NOW)
    (data / "credentials" / "authority.key").unlink()
    return settings


def test_fresh_credentials_are_fine(tmp_path: Path) -> None:
    assert told(secured(tmp_path)) == []


def test_a_certificate_is_told_before_it_ends_and_after(tmp_path: Path) -> None:
    settings = secured(tmp_path)
    assert told(settings, NOW + timedelta(days=360)) == []
    (soon,) = told(settings, NOW + timedelta(days=380))
    assert soon == ("problem", "the broker's certificate ends in 18 days")
    (late,) = told(settings, NOW + timedelta(days=400))
    assert "the broker's certificate has expired" in late[1]


def test_a_wide_mode_is_told(tmp_path: Path) -> None:
    settings = secured(tmp_path)
    path = tmp_path / "credentials" / "passwords" / "watch"
    path.chmod(0o640)
    assert told(settings) == [("notice", f"the group {path.stat().st_gid} may use {path} (mode 0640)")]
    path.chmod(0o644)
    assert told(settings) == [("problem", f"everybody on this machine may use {path} (mode 0644)")]


def test_an_access_list_older_than_the_configuration_is_told(tmp_path: Path) -> None:
    secured(tmp_path)
    (finding,) = told(plant(tmp_path, readers=["mes"]))
    assert finding[0] == "problem"
    assert "does not let reader.mes do" in finding[1]
    path = tmp_path / "credentials" / "access.json"
    path.write_text(json.dumps([]))
    assert len(told(plant(tmp_path))) == 3
    path.write_text("[")
    assert "cannot be read" in told(plant(tmp_path))[0][1]


def test_a_broker_without_logins_is_told(tmp_path: Path) -> None:
    (finding,) = told(plant(tmp_path, credentials=None))
    assert finding[0] == "notice"
    assert "no logins" in finding[1]


def test_a_missing_folder_is_told_with_the_command(tmp_path: Path) -> None:
    found = list(credentials(plant(tmp_path), NOW))
    assert {one.level for one in found} == {"problem"}
    assert all("broker-bridge secure" in one.advice for one in found)


def of_another(data: Path, name: str, **broker: object) -> Path:
    """A file of other credentials."""
    other = plant(data / "other", **broker)
    secure([other], data / "other" / "credentials", now=NOW)
    return data / "other" / "credentials" / name


def test_a_key_that_is_not_the_certificate_s_is_told(tmp_path: Path) -> None:
    settings = secured(tmp_path)
    shutil.copy(of_another(tmp_path, "broker.key"), tmp_path / "credentials" / "broker.key")
    (finding,) = told(settings)
    assert finding[0] == "problem"
    assert "broker.key cannot be used together: the key is not that of the certificate" in finding[1]


def test_secure_makes_a_new_pair_where_the_two_do_not_belong_together(tmp_path: Path) -> None:
    settings = plant(tmp_path)
    folder = tmp_path / "credentials"
    secure([settings], folder, now=NOW)
    shutil.copy(of_another(tmp_path, "broker.key"), folder / "broker.key")
    done = secure([settings], folder, now=NOW)
    assert done.changed == ("a new certificate of the broker: start the broker again",)
    assert secure([settings], folder, now=NOW).changed == ()


def test_a_certificate_for_another_host_is_told(tmp_path: Path) -> None:
    secured(tmp_path)
    (finding,) = told(plant(tmp_path, host="10.20.1.2", names=["broker.harbour.example"]))
    assert finding[0] == "problem"
    assert "broker.pem is for localhost, 127.0.0.1, ::1, and clients reach the broker as" in finding[1]
    assert "10.20.1.2, broker.harbour.example: they will refuse it" in finding[1]


def test_a_certificate_of_another_authority_is_told(tmp_path: Path) -> None:
    settings = secured(tmp_path)
    shutil.copy(of_another(tmp_path, "authority.pem"), tmp_path / "credentials" / "authority.pem")
    (finding,) = told(settings)
    assert finding[0] == "problem"
    assert "broker.pem is not signed by the authority in" in finding[1]


@pytest.mark.parametrize(
    ("name", "taken"),
    [
        ("broker.harbour.example", True),
        ("BROKER.harbour.example.", True),
        ("10.20.1.2", True),
        ("a.floor.example", True),
        ("a.b.floor.example", False),
        ("floor.example", False),
        ("harbour.example", False),
    ],
)
def test_names_are_compared_as_clients_do(name: str, taken: bool) -> None:
    """RFC 9525, section 6.3: the wildcard is the left-most label as a whole and stands for one."""
    assert covers(["Broker.harbour.example", "10.20.1.2", "*.floor.example"], name) is taken


def test_a_chain_by_way_of_another_authority_is_followed(tmp_path: Path) -> None:
    """As the plant's own public-key infrastructure would give it: root, one between, the broker's."""
    root, other = (make_authority(name, NOW) for name in ("root", "other"))
    between_key = ec.generate_private_key(ec.SECP256R1())
    issuer = x509.load_pem_x509_certificate(root.certificate.encode())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "between")])
    between = (
        x509.CertificateBuilder().subject_name(name).issuer_name(issuer.subject)
        .public_key(between_key.public_key()).serial_number(7)
        .not_valid_before(NOW).not_valid_after(NOW + timedelta(days=9))
        .sign(serialization.load_pem_private_key(root.key.encode(), None), hashes.SHA256())
    )  # fmt: skip
    between_pem = between.public_bytes(serialization.Encoding.PEM).decode()
    key = between_key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    leaf = make_server(Signed(between_pem, key.decode()), ["localhost"], NOW)
    (tmp_path / "chain").write_text(leaf.certificate + between_pem)
    (tmp_path / "leaf").write_text(leaf.certificate)
    roots = [x509.load_pem_x509_certificate(root.certificate.encode())]
    assert leads_to(read_chain(tmp_path / "chain"), roots)
    assert not leads_to(read_chain(tmp_path / "leaf"), roots)
    strangers = [x509.load_pem_x509_certificate(other.certificate.encode())]
    assert not leads_to(read_chain(tmp_path / "chain"), strangers)


def test_a_record_that_everybody_may_read_is_told(tmp_path: Path) -> None:
    settings = secured(tmp_path)
    path = tmp_path / "record.db"
    path.touch(0o640)
    settings = settings.model_copy(update={"record": settings.record.model_copy(update={"path": path})})
    assert told(settings) == []
    path.chmod(0o644)
    assert told(settings) == [("notice", f"everybody on this machine may read {path}")]
