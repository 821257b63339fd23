"""Folders of the person's: held against the XDG Base Directory Specification 0.8."""

import os
import pwd

import pytest

from backupkeeper.daemon.service import Form
from backupkeeper.wiring.homes import config_home, home_of, state_home
from backupkeeper.wiring.service import Services
from backupkeeper.wiring.settings import read_config

LISTED = pwd.getpwuid(os.getuid()).pw_dir


@pytest.mark.parametrize("home", ["", "relative", "./x", "~"])
def test_a_home_that_is_no_absolute_path_is_not_believed(
    home: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", home)
    assert home_of({"HOME": home}) == LISTED
    assert Services({"HOME": home}).path(Form.USER).startswith(f"{LISTED}/.config/")
    assert read_config(None, {"HOME": home})[0].startswith(f"{LISTED}/.config/")


def test_a_home_is_believed() -> None:
    assert home_of({"HOME": "/srv/person"}) == "/srv/person"
    assert config_home({"HOME": "/srv/person"}) == "/srv/person/.config"
    assert state_home({"HOME": "/srv/person"}) == "/srv/person/.local/state"


def test_xdg_folders_must_be_absolute() -> None:
    """'All paths … must be absolute. … consider the path invalid and ignore it.'"""
    environ = {"HOME": "/srv/person", "XDG_CONFIG_HOME": "conf", "XDG_STATE_HOME": "../state"}
    assert config_home(environ) == "/srv/person/.config"
    assert state_home(environ) == "/srv/person/.local/state"
    environ = {"HOME": "/srv/person", "XDG_CONFIG_HOME": "/a", "XDG_STATE_HOME": "/b"}
    assert (config_home(environ), state_home(environ)) == ("/a", "/b")


def test_a_user_whom_the_system_does_not_list_has_the_root_folder(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def unlisted(_user: int) -> pwd.struct_passwd:
        raise KeyError

    monkeypatch.setattr(pwd, "getpwuid", unlisted)
    assert home_of({}) == "/"
