"""Who may reach the record, and where settings come from."""

from pathlib import Path

import pytest
from pydantic import ValidationError

from service.settings import (
    DANGER,
    OpenAccessError,
    Settings,
    access_warning,
    check_binding,
    is_loopback,
)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.1.2.3", "::1", "localhost"])
def test_this_computer_only_needs_no_permission(host: str) -> None:
    assert is_loopback(host)
    check_binding(Settings(host=host))


EVERY_ADDRESS = "0.0.0.0"  # noqa: S104 - what the settings must not let through unasked


@pytest.mark.parametrize(
    "host", [EVERY_ADDRESS, "::", "192.0.2.7", "ward-server", "localhost.example"]
)
def test_a_wider_binding_is_refused_and_names_the_setting(host: str) -> None:
    with pytest.raises(OpenAccessError, match=DANGER):
        check_binding(Settings(host=host))


def test_the_named_setting_allows_it_and_every_start_still_warns(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv(DANGER, "true")
    monkeypatch.setenv("AIRWAY_HOST", EVERY_ADDRESS)
    settings = Settings()
    check_binding(settings)
    assert f"EVERYBODY who can reach {EVERY_ADDRESS}:8000" in access_warning(settings)


def test_the_warning_on_loopback_says_that_anyone_on_this_computer_may_write() -> None:
    assert "on this computer can read and change" in access_warning(Settings())


def test_a_dotenv_file_in_the_folder_is_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / ".env").write_text("AIRWAY_HOST=0.0.0.0\nAIRWAY_PORT=9\n")
    monkeypatch.chdir(tmp_path)
    assert (Settings().host, Settings().port) == ("127.0.0.1", 8000)


def test_the_base_url_is_an_address_and_loses_its_last_slash() -> None:
    assert Settings(base_url="https://record.example/").base_url == "https://record.example"
    with pytest.raises(ValidationError):
        Settings(base_url="record.example")
