"""Where the mail password is kept, and what is refused."""

import os
import sys
from pathlib import Path
from types import ModuleType

import keyring
import keyring.backend
import keyring.backends.fail
import pytest

from backupkeeper.core.errors import ConfigError
from backupkeeper.system.password import read_password


def read(source: str, **environ: str) -> str:
    return read_password(source, user="me", environ=environ, config="config.toml")


def refused(source: str, **environ: str) -> str:
    with pytest.raises(ConfigError) as caught:
        read(source, **environ)
    assert "hunter2" not in str(caught.value)
    return caught.value.faults[0].wanted


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    file = tmp_path / "password"
    file.write_text("hunter2 with blanks \n")
    file.chmod(0o600)
    return file


def test_a_file_is_read_without_its_line_end(kept: Path) -> None:
    assert read(f"file:{kept}") == "hunter2 with blanks "


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666])
def test_a_file_that_others_can_read_is_refused(kept: Path, mode: int) -> None:
    kept.chmod(mode)
    assert "you alone" in refused(f"file:{kept}")


def test_what_is_no_readable_file_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe", 0o600)
    (tmp_path / "odd").write_bytes(b"\xff")
    (tmp_path / "odd").chmod(0o600)
    for name in ("none", "odd"):
        assert "can be read" in refused(f"file:{tmp_path}/{name}")
    assert "plain file" in refused(f"file:{tmp_path}/pipe")


def test_a_credential_of_systemd_is_found_in_its_folder(kept: Path) -> None:
    kept.chmod(0o644)  # systemd's own folder is protected as a whole
    folder = str(kept.parent)
    assert read("credential:password", CREDENTIALS_DIRECTORY=folder) == "hunter2 with blanks "
    assert "systemd" in refused("credential:password")


def test_the_keyring_is_asked_by_name_and_person(monkeypatch: pytest.MonkeyPatch) -> None:
    ring = ModuleType("keyring")
    asked: list[tuple[str, str]] = []

    def get_password(service: str, user: str) -> str | None:
        asked.append((service, user))
        return "hunter2" if len(asked) == 1 else None

    ring.get_password = get_password  # type: ignore[attr-defined]  # as the library has it
    monkeypatch.setitem(sys.modules, "keyring", ring)
    assert read("keyring") == "hunter2"
    assert asked == [("backupkeeper mail", "me")]
    assert "a password for me" in refused("keyring")


def test_without_a_keyring_it_says_what_would_be_right(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "keyring", None)
    assert "pip install keyring" in refused("keyring")


class Ring(keyring.backend.KeyringBackend):
    """A keyring of the library's own kind, in memory."""

    priority = 1

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]  # the library's own
        self.kept: dict[tuple[str, str], str] = {}

    def get_password(self, service: str, username: str) -> str | None:
        return self.kept.get((service, username))

    def set_password(self, service: str, username: str, password: str) -> None:
        self.kept[service, username] = password

    def delete_password(self, service: str, username: str) -> None:
        del self.kept[service, username]


def test_the_librarys_own_keyring_gives_what_was_put_in_by_its_own_tool() -> None:
    before = keyring.get_keyring()
    keyring.set_keyring(Ring())
    try:
        assert "a password for me" in refused("keyring")
        keyring.set_password("backupkeeper mail", "me", "hunter2")  # as "keyring set" does
        assert read("keyring") == "hunter2"
        none = keyring.backends.fail.Keyring()  # type: ignore[no-untyped-call]  # as above
        keyring.set_keyring(none)  # a machine without any
        assert "a keyring that answers" in refused("keyring")
    finally:
        keyring.set_keyring(before)
