"""``keys``, and files with keys: what is not right is told, and nothing is turned on by it."""

import os
from pathlib import Path

import pytest

from backupkeeper.core.errors import UsageError
from backupkeeper.transfer.age import IDENTITIES_MOST_BYTES, new_identity
from backupkeeper.wiring.encryption import read_identities
from tests.stories.typed import typed
from tests.stories.yard import Yard


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    key = new_identity()
    (tmp_path / "key.txt").write_text(str(key._secret))
    (tmp_path / "other.txt").write_text(str(new_identity()._secret))
    return Yard(
        tmp_path,
        policy=f'distinct_devices = false\n[upload]\nencrypt_to = ["{key.recipient}"]',
    )


def test_only_a_key_that_fits_is_taken(yard: Yard) -> None:
    other, right = str(yard.root / "other.txt"), str(yard.root / "key.txt")
    said = typed(yard, "keys", "--kept", other, "--where", "in the safe")
    assert said.code == 2
    assert "No key that was given decrypts" in said.err
    assert typed(yard, "keys").code == 1
    said = typed(yard, "keys", "--kept", other, "--kept", right, "--where", " in  the safe ")
    assert (said.code, "Kept: in the safe" in said.out) == (0, True)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        pytest.param(["--where", "here"], "--where belongs to --kept", id="where without a key"),
        pytest.param(["--kept", "{key}"], "Add --where", id="no word and nobody to ask"),
        pytest.param(["--kept", "{key}", "--where", " "], "in words, on one line", id="no words"),
        pytest.param(["--kept", "{key}", "--where", "a\nb"], "on one line", id="two lines"),
        pytest.param(["--kept", "/nowhere/k", "--where", "x"], "can't be read", id="no file"),
        pytest.param(["--kept", "/nowhere/k"], "can't be read", id="no file, before any question"),
        pytest.param(["--kept", "{other}"], "No key that was given", id="another key, as above"),
    ],
)
def test_what_is_not_right_is_told(yard: Yard, words: list[str], told: str) -> None:
    said = typed(
        yard,
        "keys",
        *(word.format(key=yard.root / "key.txt", other=yard.root / "other.txt") for word in words),
    )
    assert said.code == 2
    assert told in said.err


def test_where_nothing_is_encrypted_there_is_nothing_to_show(tmp_path: Path) -> None:
    (tmp_path / "key.txt").write_text(str(new_identity()._secret))
    yard = Yard(tmp_path)
    said = typed(yard, "keys", "--kept", str(tmp_path / "key.txt"), "--where", "x")
    assert (said.code, "No key is asked for" in said.err) == (2, True)
    said = typed(yard, "keys")
    assert (said.code, said.out.startswith("Nothing is encrypted")) == (0, True)


@pytest.mark.parametrize(("mode", "is_told"), [(0o600, False), (0o640, True), (0o604, True)])
def test_a_key_that_others_can_read_is_told(yard: Yard, mode: int, is_told: bool) -> None:
    key = yard.root / "key.txt"
    key.chmod(mode)
    yard.policy += f'\nidentity_file = "{key}"'
    yard.__post_init__()
    for words in (["keys"], ["keys", "--kept", str(key), "--where", "in the safe"]):
        said = " ".join(typed(yard, *words).out.split())
        assert (f"chmod 600 {key}" in said) is is_told
    assert typed(yard, "keys", "--json").json["identity_file_open"] is is_told
    key.unlink()
    assert not typed(yard, "keys", "--json").json["identity_file_open"]


def test_a_file_that_can_be_no_key_is_told(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "long").write_bytes(b"#" * (IDENTITIES_MOST_BYTES + 1))
    (tmp_path / "folder").mkdir()
    for name, told in (
        ("pipe", "no plain file"),
        ("long", "far too long"),
        ("folder", "Is a directory"),
    ):
        with pytest.raises(UsageError, match=told):
            read_identities(str(tmp_path / name))


def test_a_key_that_is_named_for_one_run_must_be_one(yard: Yard) -> None:
    said = typed(yard, "keys")
    assert said.code == 1
    wrong = yard.root / "wrong.txt"
    wrong.write_text("no key")
    from click.testing import CliRunner  # noqa: PLC0415 - only here the option stands in front

    from backupkeeper.cli.main import main  # noqa: PLC0415 - as above

    config = str(yard.root / "config.toml")
    done = CliRunner().invoke(main, ["--config", config, "--identity", str(wrong), "keys"])
    assert done.exit_code == 2
    assert "is no key that this program can use" in done.stderr
