"""Settings: one struct, read from the environment, with every value looked at."""

import msgspec
import pytest

from catchpan_service.settings import PREFIX, SettingError, Settings, described_settings, read_settings

NAMES = {PREFIX + name.upper() for name in Settings.__struct_fields__}


def test_nothing_has_to_be_set():
    assert read_settings({}) == Settings()


def test_the_defaults_keep_to_this_machine():
    assert Settings().host == "127.0.0.1"


def test_every_setting_is_read_from_its_own_name():
    given = {
        "CATCHPAN_DATABASE": "/var/lib/x.sqlite",
        "CATCHPAN_DATABASE_URL": "postgresql+psycopg://catchpan@db.example/catchpan",
        "CATCHPAN_DATABASE_CONNECTIONS": "4",
        "CATCHPAN_ORGANISATION": "Alder Hollow Grounds",
        "CATCHPAN_HOST": "0.0.0.0",
        "CATCHPAN_PORT": "0",
        "CATCHPAN_COMPUTE_NEEDS_KEY": "true",
        "CATCHPAN_LOG_REQUESTS": "false",
        "CATCHPAN_MAX_BODY": "1024",
        "CATCHPAN_MAX_WAITING": "1",
        "CATCHPAN_ROLLOUTS_EVERY": "30",
        "CATCHPAN_WEBHOOKS_EVERY": "0.5",
        "CATCHPAN_WEBHOOKS_PRIVATE": "true",
    }
    assert set(given) == NAMES
    assert read_settings(given) == Settings(
        database="/var/lib/x.sqlite",
        database_url="postgresql+psycopg://catchpan@db.example/catchpan",
        database_connections=4,
        organisation="Alder Hollow Grounds",
        host="0.0.0.0",
        port=0,
        compute_needs_key=True,
        log_requests=False,
        max_body=1024,
        max_waiting=1,
        rollouts_every=30,
        webhooks_every=0.5,
        webhooks_private=True,
    )


@pytest.mark.parametrize(
    ("text", "meant"), [("true", True), ("TRUE", True), ("1", True), ("false", False), ("0", False)]
)
def test_a_switch_is_on_or_off(text, meant):
    assert read_settings({"CATCHPAN_COMPUTE_NEEDS_KEY": text}).compute_needs_key is meant


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("PORT", "65536"),
        ("PORT", "-1"),
        ("PORT", "http"),
        ("PORT", ""),
        ("PORT", "84.5"),
        ("DATABASE_CONNECTIONS", "0"),
        ("MAX_BODY", "1023"),
        ("MAX_WAITING", "0"),
        ("COMPUTE_NEEDS_KEY", "maybe"),
        ("COMPUTE_NEEDS_KEY", ""),
        ("LOG_REQUESTS", "2"),
        ("ORGANISATION", ""),
    ],
)
def test_a_value_that_cannot_be_used_is_refused_by_its_name(name, text):
    with pytest.raises(SettingError) as refusal:
        read_settings({PREFIX + name: text})
    assert str(refusal.value).startswith(f"{PREFIX}{name} cannot be {text!r}: Expected `")


@pytest.mark.parametrize(
    "name", ["HOME", "CATCHPANTRY", "catchpan_port", "CATCHPAN_KEY", "CATCHPAN_KEY_FILE", "CATCHPAN_SERVER"]
)
def test_what_is_not_for_the_service_is_left_alone(name):
    assert read_settings({name: "anything"}) == Settings()


def test_settings_cannot_be_changed_once_they_are_read():
    with pytest.raises(AttributeError):
        read_settings({}).port = 1


def test_every_setting_is_described_with_its_default():
    described = described_settings()
    assert {name for name, _, _ in described} == NAMES
    assert all(meaning and not meaning.endswith(".") for _, _, meaning in described)
    assert read_settings({name: default for name, default, _ in described}) == Settings()


def test_described_defaults_are_those_that_hold():
    held = msgspec.to_builtins(Settings())
    for name, default, _ in described_settings():
        assert default == str(held[name.removeprefix(PREFIX).lower()]).replace("True", "true").replace("False", "false")


def test_a_mistyped_name_is_refused_with_the_one_that_is_meant():
    with pytest.raises(SettingError, match=r"CATCHPAN_DATBASE is no setting: is CATCHPAN_DATABASE meant\?"):
        read_settings({"CATCHPAN_DATBASE": "x.sqlite"})


def test_what_the_command_line_reads_is_no_mistake_of_the_service():
    assert read_settings({"CATCHPAN_SERVER": "http://127.0.0.1:1", "CATCHPAN_KEY": "x", "PATH": "/"}) == Settings()
