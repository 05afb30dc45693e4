"""What `check` says of certificates, passwords and the access list."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

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
