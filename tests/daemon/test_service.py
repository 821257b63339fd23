"""The service's text: systemd's own tools read it, and what stands in the repository is what is made."""

import os
import plistlib
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from backupkeeper.core.errors import UsageError
from backupkeeper.daemon.service import (
    Form,
    Service,
    agent_bytes,
    commands_to_start,
    commands_to_stop,
    is_ours,
    path_of,
    quoted,
    unit_text,
)

SHIPPED = Path(__file__).parents[2] / "systemd"
COMMAND = ("/usr/bin/python3", "-P", "-m", "backupkeeper", "run")
MOST_EXPOSED = {Form.SYSTEM: 2.5, Form.USER: 7.5}
"""Marks of ``systemd-analyze security`` (0 is least exposed); reached: 2.3 and 7.1."""


def made(form: Form, command: tuple[str, ...] = COMMAND) -> Service:
    return Service(form=form, command=command, user="editor" if form is Form.SYSTEM else "")


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["systemd-analyze", *words], capture_output=True, text=True, check=False, timeout=60
    )


@pytest.mark.parametrize(
    ("form", "name"),
    [(Form.USER, "backupkeeper.service"), (Form.SYSTEM, "backupkeeper-system.service")],
)
def test_what_is_shipped_is_what_is_made(form: Form, name: str) -> None:
    assert (SHIPPED / name).read_text() == unit_text(made(form))


@pytest.mark.real("systemd")
@pytest.mark.parametrize("form", [Form.USER, Form.SYSTEM])
@pytest.mark.parametrize("folder", ["plain", "two words", "100%n", "a$HOME", "ünï", "~#;"])
def test_systemd_understands_the_unit_whatever_the_paths_are(
    tmp_path: Path, form: Form, folder: str
) -> None:
    """``verify`` looks whether the program that it reads there can be run."""
    program = tmp_path / folder / "python"
    program.parent.mkdir()
    shutil.copy("/bin/true", program)
    unit = tmp_path / "backupkeeper.service"
    unit.write_text(unit_text(made(form, (str(program), "-m", "backupkeeper", "run"))))
    # A user's manager can't be had here: the text is the same to both.
    done = analyze("verify", "--man=no", str(unit))
    assert done.returncode == 0, done.stderr
    assert str(program) not in done.stderr
    program.chmod(0o600)
    if os.access(program, os.X_OK):
        pytest.skip("everything can be run here")
    assert analyze("verify", "--man=no", str(unit)).returncode != 0, "it was not looked for"


@pytest.mark.real("systemd")
@pytest.mark.parametrize("form", [Form.USER, Form.SYSTEM])
def test_the_sandbox_is_as_tight_as_it_was(tmp_path: Path, form: Form) -> None:
    unit = tmp_path / "backupkeeper.service"
    unit.write_text(unit_text(made(form)))
    done = analyze("security", "--offline=yes", "--no-pager", str(unit))
    (mark,) = re.findall(r"Overall exposure level for \S+: (\d+\.\d)", done.stdout)
    assert float(mark) <= MOST_EXPOSED[form]


@pytest.mark.real("systemd")
@pytest.mark.parametrize("call", ["mincore", "renameat2", "fadvise64", "ioprio_set", "syncfs"])
def test_the_system_calls_that_proofs_rest_on_are_allowed(call: str) -> None:
    """By systemd's own lists of what its groups hold."""
    allowed: set[str] = set()
    for line in unit_text(made(Form.SYSTEM)).splitlines():
        if line.startswith("SystemCallFilter=~"):
            allowed -= expanded(line.partition("~")[2].split())
        elif line.startswith("SystemCallFilter="):
            allowed |= expanded(line.partition("=")[2].split())
    assert call in allowed


def expanded(names: list[str]) -> set[str]:
    found: set[str] = set()
    for name in names:
        if not name.startswith("@"):
            found.add(name)
            continue
        lines = analyze("syscall-filter", name).stdout.splitlines()[1:]
        inner = [line.strip() for line in lines if line.strip() and "#" not in line]
        found |= expanded([one for one in inner if one != name])
    return found


@pytest.mark.parametrize("folder", ['quo"te', "back\\slash"])
def test_a_program_that_systemd_would_not_run_is_refused(folder: str) -> None:
    with pytest.raises(UsageError, match="quotation mark or a backslash"):
        unit_text(made(Form.USER, (f"/opt/{folder}/python", "run")))


@pytest.mark.parametrize("word", ["", "new\nline", "bell\a", "odd\udc80"])
def test_what_can_not_stand_in_a_unit_is_refused(word: str) -> None:
    with pytest.raises(UsageError, match="can't stand in a service"):
        quoted(word)


@pytest.mark.parametrize("name", ["", "-x", "a b", "a\nUser=root", "ö"])
def test_a_service_of_the_system_needs_a_persons_name(name: str) -> None:
    with pytest.raises(UsageError, match="--user NAME"):
        unit_text(Service(form=Form.SYSTEM, command=COMMAND, user=name))


def test_the_property_list_is_one_and_runs_the_program() -> None:
    told = plistlib.loads(agent_bytes(made(Form.AGENT)))
    assert told["ProgramArguments"] == list(COMMAND)
    assert told["RunAtLoad"] is True


@pytest.mark.parametrize("form", list(Form))
def test_what_is_ours_is_known_again_and_nothing_else(form: Form) -> None:
    service = made(form)
    text = agent_bytes(service) if form is Form.AGENT else unit_text(service).encode()
    assert is_ours(text, form)
    for other in (
        b"",
        b"[Unit]\n",
        b"<plist/>",
        plistlib.dumps([]),
        plistlib.dumps({"Label": "x"}),
    ):
        assert not is_ours(other, form)


def test_each_form_has_its_place_and_its_commands() -> None:
    where = {form: path_of(form, home="/h", config_home="/h/.config") for form in Form}
    assert where == {
        Form.USER: "/h/.config/systemd/user/backupkeeper.service",
        Form.SYSTEM: "/etc/systemd/system/backupkeeper.service",
        Form.AGENT: "/h/Library/LaunchAgents/backupkeeper.plist",
    }
    for form in Form:
        assert commands_to_start(form, "p")
        assert commands_to_stop(form, "p")
