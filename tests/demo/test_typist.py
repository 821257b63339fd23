"""The demo's typist: the person's own environment stays out, and a step gone astray is noted."""

import os
import sys
from pathlib import Path

import pytest

from backupkeeper.demo.stage import set_up
from backupkeeper.demo.typist import Typist


@pytest.fixture
def lines() -> list[str]:
    return []


@pytest.fixture
def typist(tmp_path: Path, lines: list[str]) -> Typist:
    return Typist(stage=set_up(str(tmp_path / "world")), echo=lines.append)


def test_a_step_with_the_right_exit_code_and_text_is_well(typist: Typist, lines: list[str]) -> None:
    typist.type("--help", exits=0, shows=("Usage:", "may-wipe"))
    assert typist.wrong == []
    assert "$ backupkeeper --help" in lines
    assert any("Usage: backupkeeper" in line for line in lines)


def test_another_exit_code_is_noted(typist: Typist) -> None:
    typist.type("--help", exits=1)
    assert typist.wrong == ["backupkeeper --help exited 0, not 1"]


def test_a_text_that_is_not_shown_is_noted(typist: Typist) -> None:
    typist.type("--help", exits=0, shows=("a text that no help has",))
    assert typist.wrong == ["backupkeeper --help did not show: a text that no help has"]


def test_a_wrong_word_is_shown_and_noted(typist: Typist, lines: list[str]) -> None:
    typist.type("no-such-command", exits=0)
    assert typist.wrong == ["backupkeeper no-such-command exited 2, not 0"]
    assert any("no-such-command" in line for line in lines[2:])


def test_what_is_asked_unseen_is_not_shown(typist: Typist, lines: list[str]) -> None:
    assert "Usage:" in typist.ask("--help", exits=0)
    assert lines == []


def test_paths_are_shown_as_seen_from_the_demos_folder(typist: Typist, lines: list[str]) -> None:
    typist.type("offload", typist.stage.card("Wide"), "--no-such-option", exits=2)
    assert "$ backupkeeper offload cards/Wide --no-such-option" in lines


def test_the_persons_keys_home_and_configuration_stay_out(
    typist: Typist, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text("not toml at all [")
    monkeypatch.setenv("BACKUPKEEPER_CONFIG", str(broken))
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "the person's own")
    environment = typist._environment
    assert environment["BACKUPKEEPER_CONFIG"] == typist.stage.config
    assert environment["AWS_ACCESS_KEY_ID"] == "demo"
    assert environment["HOME"].startswith(typist.stage.root)
    assert os.path.dirname(sys.executable) not in environment.values()
