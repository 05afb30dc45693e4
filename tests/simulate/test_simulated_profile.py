"""Fault profiles: read whole or refused with file and key."""

import dataclasses
from pathlib import Path

import pytest

from broker_bridge.errors import ConfigError
from broker_bridge.simulate import Profile, load_profile, parse_profile


def test_clean_is_the_default() -> None:
    assert load_profile("clean") == Profile()


def test_every_switch_is_on_in_a_profile_that_comes_with_the_package() -> None:
    clean, others = Profile(), tuple(load_profile(name) for name in ("rough", "plant_life", "causes"))
    for field in dataclasses.fields(Profile):
        section = getattr(clean, field.name)
        if not dataclasses.is_dataclass(section):
            assert any(getattr(other, field.name) != section for other in others), field.name
            continue
        for key in dataclasses.fields(section):
            if (field.name, key.name) in ALWAYS or key.name in ("stations", "channel"):
                continue
            on = [getattr(getattr(other, field.name), key.name) for other in others]
            assert any(value != getattr(section, key.name) for value in on), f"{field.name}.{key.name}"


ALWAYS = {
    ("process", "review_delay_s"), ("process", "stops"), ("lost", "seconds"), ("doubled", "seconds"),
    ("disordered", "seconds"), ("files", "rotation"), ("causes", "slow"), ("causes", "down"),
}  # fmt: skip
"""How a plant is, or how a fault is done: not whether it happens."""


def test_a_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('[lost]\nrate = 1\nstations = ["AOI"]\n[[clock]]\nstation = "SPI"\noffset_s = -3\n')
    profile = load_profile(path)
    assert profile.lost.rate == 1.0
    assert profile.lost.stations == ("AOI",)
    assert profile.clock[0].offset_s == -3.0


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        ("losst = 1", "losst", ""),
        ("[lost]\nraet = 0.1", "lost.raet", ""),
        ("[lost]\nrate = 1.5", "lost.rate", "1.5"),
        ("[lost]\nrate = nan", "lost.rate", "nan"),
        ("[lost]\nrate = true", "lost.rate", "True"),
        ('[lost]\nrate = "often"', "lost.rate", "often"),
        ('[lost]\nstations = ["SPY"]', "lost.stations", "SPY"),
        ('[lost]\nstations = "SPI"', "lost.stations", "SPI"),
        ('[lost]\nchannel = "pigeon"', "lost.channel", "pigeon"),
        ("lost = 3", "lost", "3"),
        ("[clock]\noffset_s = 1", "clock", "offset_s"),
        ("[[clock]]\noffset_s = 1", "clock.station", "''"),
        ('[[clock]]\nstation = "SPI"\noffset = 1', "clock.offset", ""),
        ("[files]\nrotate_after = 1.5", "files.rotate_after", "1.5"),
        ("[files]\nrotate_after = -1", "files.rotate_after", "-1"),
        ("[inspection]\nsampled_every = 0", "inspection.sampled_every", "0"),
        ("[process]\nstops = 1", "process.stops", "1"),
        ("name = 7", "name", "7"),
        ("[lost", "", ""),
    ],
)
def test_what_is_wrong_is_named(text: str, key: str, value: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_profile(text, "plant.toml")
    assert "plant.toml" in str(caught.value)
    assert key in str(caught.value)
    assert value in str(caught.value)


def test_an_absent_file_is_named() -> None:
    with pytest.raises(ConfigError, match=r"nowhere\.toml"):
        load_profile("nowhere.toml")
