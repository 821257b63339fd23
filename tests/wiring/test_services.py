"""Installing and removing the service in a made-up home, with a ``systemctl`` that notes its words."""

import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from backupkeeper.cli.main import main
from backupkeeper.cli.session import real_session
from backupkeeper.core.errors import ReadError, UsageError, WriteError
from backupkeeper.daemon.service import Form
from backupkeeper.wiring.service import Services

SYSTEMCTL = """#!/bin/sh
echo "$@" >> "$HOME/said"
[ "$2" = is-active ] && echo active
[ -e "$HOME/fail" ] && { echo "no bus" >&2; exit 1; }
exit 0
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "bin").mkdir()
    for name in ("systemctl", "launchctl"):
        program = tmp_path / "bin" / name
        program.write_text(SYSTEMCTL)
        program.chmod(0o755)
    return tmp_path


def services(home: Path, *, platform: str = "linux", runs: bool = True) -> Services:
    environ = {"HOME": str(home), "PATH": f"{home}/bin:/usr/bin:/bin"}
    return Services(
        environ, platform=platform, systemd_runs=str(home) if runs else f"{home}/nowhere"
    )


def said(home: Path) -> list[str]:
    file = home / "said"
    return file.read_text().splitlines() if file.exists() else []


def install(home: Path, **more: bool) -> tuple[bool, str]:
    told = services(home, runs=more.get("runs", True)).install(
        system=False, user="", config=None, start=more.get("start", True)
    )
    return told.done, " ".join([*told.sentences, *told.to_type])


def unit(home: Path) -> Path:
    return home / ".config/systemd/user/backupkeeper.service"


def test_installing_writes_the_unit_and_starts_it(home: Path) -> None:
    assert install(home) == (
        True,
        f"Wrote {unit(home)}. It runs, and starts with the computer.",
    )
    assert said(home) == ["--user daemon-reload", "--user enable --now backupkeeper.service"]
    assert f'ExecStart="{sys.executable}" "-P" "-m" "backupkeeper" "run"' in unit(home).read_text()


def test_installing_again_changes_nothing(home: Path) -> None:
    install(home)
    before = unit(home).stat().st_mtime_ns
    done, told = install(home)
    assert (done, "stands as it should" in told) == (True, True)
    assert unit(home).stat().st_mtime_ns == before


def test_a_unit_of_somebody_else_is_left_alone(home: Path) -> None:
    unit(home).parent.mkdir(parents=True)
    unit(home).write_text("[Unit]\n")
    with pytest.raises(UsageError, match="was not made by this program"):
        install(home)
    with pytest.raises(UsageError, match="was not made by this program"):
        services(home).remove(system=False)
    assert unit(home).read_text() == "[Unit]\n"
    assert "not made by this program" in " ".join(services(home).state(system=False).sentences)


def test_where_systemd_does_not_run_it_says_what_to_type(home: Path) -> None:
    done, told = install(home, runs=False)
    assert not done
    assert "systemd does not run here" in told
    assert "systemctl --user enable --now backupkeeper.service" in told
    assert said(home) == []


def test_only_the_file_is_written_where_that_was_asked(home: Path) -> None:
    done, told = install(home, start=False)
    assert done
    assert "systemctl --user enable" in told
    assert said(home) == []


def test_a_systemctl_that_fails_is_told_with_what_is_left_to_type(home: Path) -> None:
    (home / "fail").touch()
    done, told = install(home)
    assert not done
    assert "failed: no bus" in told


def test_removing_takes_only_the_file_away(home: Path) -> None:
    install(home)
    told = services(home).remove(system=False)
    assert told.done
    assert not unit(home).exists()
    assert said(home)[-1] == "--user disable --now backupkeeper.service"
    assert "There is no service" in services(home).remove(system=False).sentences[0]


def test_the_state_is_what_the_system_says(home: Path) -> None:
    assert not services(home).state(system=False).done
    install(home)
    told = services(home).state(system=False)
    assert told.done
    assert told.sentences == (f"Installed: {unit(home)}.", "The system says: active.")
    assert not services(home, runs=False).state(system=False).done


def test_on_macos_a_property_list_is_written_and_called_untried(home: Path) -> None:
    mac = services(home, platform="darwin")
    told = mac.install(system=False, user="", config="c.toml", start=True)
    assert "never tried" in " ".join(told.sentences)
    assert (home / "Library/LaunchAgents/backupkeeper.plist").exists()
    assert said(home)[0].startswith("load -w ")
    assert mac.form(system=True) is Form.AGENT
    assert not mac.state(system=False).done
    assert mac.remove(system=False).done


def test_a_system_service_names_its_person(home: Path) -> None:
    with pytest.raises(UsageError, match="--user NAME"):
        services(home).install(system=True, user="", config=None, start=False)


def test_a_folder_in_the_way_is_told(home: Path) -> None:
    unit(home).mkdir(parents=True)
    with pytest.raises(ReadError):
        install(home)


def test_a_home_that_can_not_be_written_to_is_told(home: Path) -> None:
    (home / ".config").write_text("a file")
    with pytest.raises((WriteError, ReadError)):
        install(home)


def test_the_commands_say_it_in_words_and_exit_codes(home: Path) -> None:
    session = real_session({"HOME": str(home), "PATH": f"{home}/bin:/usr/bin:/bin"})

    def typed(*words: str) -> tuple[int, str]:
        done = CliRunner().invoke(main, ["service", *words], obj=session)
        return done.exit_code, done.stdout + done.stderr

    assert typed("status")[0] == 1
    code, text = typed("install", "--no-start")
    assert (code, "To go on, type:" in text) == (0, True)
    assert typed("install", "--system")[0] == 2
    assert typed("remove")[0] in {0, 1}
    assert typed("nonsense")[0] == 2
