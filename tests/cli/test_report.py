"""``report``, through the command line: by a Keeper made by hand, and on real folders."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from backupkeeper.cli.main import main
from backupkeeper.core.model import Role
from backupkeeper.report.gaps import gaps_json
from backupkeeper.report.page import BEGINNING
from tests.cli.hand_keeper import HandKeeper
from tests.report.whole_overview import WELL, WHOLE
from tests.stories.yard import Yard, clip

REPOSITORY = Path(__file__).parents[2]


def run(answer: object, *words: str, **environ: str) -> Result:
    session = HandKeeper(answer=answer).session(**environ)
    return CliRunner().invoke(main, ["report", *words], obj=session)


def test_it_exits_1_where_something_needs_a_person_and_0_where_nothing_does() -> None:
    assert run(WHOLE).exit_code == 1
    assert run(WELL).exit_code == 0


def test_the_answer_is_the_first_line_and_all_lists_more() -> None:
    assert run(WELL).stdout.startswith("Everything is proven in three places.\n")
    assert run(WELL, "--all").exit_code == 0


def test_json_is_one_object_that_agrees_with_gaps() -> None:
    told = json.loads(run(WHOLE, "--json").stdout)
    for key, value in json.loads(json.dumps(gaps_json(WHOLE.gaps))).items():
        assert told[key] == value


def test_the_page_is_written_whole_and_the_answer_is_said_beside_it() -> None:
    hand = HandKeeper(answer=WHOLE)
    done = CliRunner().invoke(main, ["report", "--html", "weekly.html"], obj=hand.session())
    assert done.exit_code == 1
    assert done.stdout.splitlines()[1].startswith("Written to /home/me/weekly.html (")
    ((_, path, page),) = [one for one in hand.asked if one[0] == "write report"]
    assert path == "weekly.html"
    assert str(page).startswith(BEGINNING)
    assert str(page).endswith("</html>\n")


def test_the_page_can_go_to_standard_output_and_nothing_else_does() -> None:
    done = run(WELL, "--html", "-")
    assert done.exit_code == 0
    assert done.stdout.startswith(BEGINNING)
    assert done.stdout.endswith("</html>\n")


def test_a_page_and_a_mail_are_asked_for_one_after_the_other() -> None:
    done = run(WELL, "--html", "-", "--mail")
    assert done.exit_code == 2
    assert "one after the other" in done.stderr


def test_with_json_the_page_is_written_and_the_object_told() -> None:
    told = json.loads(run(WHOLE, "--json", "--html", "weekly.html").stdout)
    assert told["version"] == 1


@pytest.mark.parametrize(
    "environ", [{"LC_ALL": "C"}, {"NO_COLOR": "1"}, {"TERM": "dumb"}, {"COLUMNS": "40"}]
)
def test_a_pipe_gets_no_colour_and_c_gets_ascii(environ: dict[str, str]) -> None:
    told = run(WHOLE, **environ).stdout
    assert "\x1b" not in told
    assert "LC_ALL" not in environ or told.isascii()
    if "COLUMNS" in environ:
        assert all(
            len(line) <= 40 or "backupkeeper " in line or "Boatyard/Originals/" in line
            for line in told.splitlines()
        )


def typed(yard: Yard, *words: str) -> tuple[int, str]:
    """As a person types it, with nothing but what the program itself brings."""
    done = subprocess.run(
        [sys.executable, "-m", "backupkeeper", *words],
        env={
            "PATH": os.environ["PATH"],
            "HOME": str(yard.root),
            "PYTHONPATH": str(REPOSITORY),
            "BACKUPKEEPER_CONFIG": str(yard.root / "config.toml"),
            "LC_ALL": "C.UTF-8",
        },
        capture_output=True,
        check=False,
        encoding="utf-8",
    )
    assert done.stderr == ""
    return done.returncode, done.stdout


@pytest.mark.slow
def test_on_real_folders_from_the_first_day_on(tmp_path: Path) -> None:
    yard = Yard(
        tmp_path,
        policy='distinct_devices = false\nroles = ["primary", "secondary"]\nwipe_needs = ["primary"]',
    )
    code, told = typed(yard, "report")
    assert (code, told.splitlines()[0]) == (
        1,
        "Nothing is taken in yet: neither a card nor a place to keep one.",
    )
    yard.clock.at = yard.clock.at.replace(year=2020)  # the program that is typed has the real clock
    yard.drive("Main", Role.PRIMARY)
    yard.drive("Travel", Role.SECONDARY)
    card = yard.card("WIDE", {"DCIM/A.MP4": clip(1)})
    words = ("offload", str(card), "--shoot", "260612 Boatyard", "--source", "Wide", "--json")
    assert typed(yard, *words)[0] == 0
    code, told = typed(yard, "report")
    assert (code, told.splitlines()[0]) == (
        0,
        "Everything is proven in two places that may share one device.",
    )
    code, told = typed(yard, "report", "--json")
    found, gaps = json.loads(told), json.loads(typed(yard, "gaps", "--json")[1])
    assert (code, found["worry"], found["daemon"]) == (0, "none", None)
    assert {key: found[key] for key in gaps} == gaps
    (tmp_path / "Travel").rename(tmp_path / "away")
    code, told = typed(yard, "report", "--json")
    assert code == 0
    assert [one["here"] for one in json.loads(told)["drives"]] == [True, False]
