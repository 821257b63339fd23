"""Posters, typed: the command, and what is made at the end of an offload and never changes its answer."""

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

from backupkeeper.cli.main import main
from backupkeeper.core.errors import WriteError
from backupkeeper.core.posters import NOT_UNDERSTOOD, PostersOutcome
from tests.cli.hand_keeper import HandKeeper
from tests.report import day

OFFLOAD = ("offload", day.CARD, "--shoot", "260612 Boatyard", "--source", "Wide")
CLIP = "260612 Boatyard/Originals/Wide/Roll 01/WIDE0001.MP4"
MADE = PostersOutcome(made=12, known=3, read_bytes=9_000_000, seconds=4.0)
MISSING = replace(
    MADE, missing=2, waiting=("2 clips have no proven copy on a drive that is here.",)
)


@pytest.mark.parametrize(
    ("outcome", "code", "says"),
    [
        (MADE, 0, ["Made 12 posters (in 4 s).", "3 clips had theirs already."]),
        (PostersOutcome(known=1), 0, ["Nothing to make", "1 clip had its poster already."]),
        (PostersOutcome(), 0, ["Nothing to make"]),
        (MISSING, 1, ["Still without a poster: 2 clips", "no proven copy on a drive"]),
        (PostersOutcome(missing=1, waiting=("No library.",)), 1, ["No poster was made."]),
        (replace(MADE, bare=((CLIP, NOT_UNDERSTOOD),)), 0, ["Without a picture", NOT_UNDERSTOOD, CLIP]),
    ],
)  # fmt: skip
def test_what_was_made_is_told_in_words_and_as_json(
    outcome: PostersOutcome, code: int, says: list[str]
) -> None:
    keeper = HandKeeper(answer=outcome)
    done = CliRunner().invoke(main, ("posters", "Wide/Roll 01"), obj=keeper.session(COLUMNS="100"))
    assert (done.exit_code, done.stderr) == (code, "")
    for text in says:
        assert text in done.stdout
    assert keeper.asked == [("posters", "Wide/Roll 01")]
    as_object = CliRunner().invoke(main, ("posters", "--json"), obj=keeper.session())
    told = json.loads(as_object.stdout)
    assert as_object.exit_code == code
    assert (told["version"], told["made"], told["missing"]) == (1, outcome.made, outcome.missing)
    assert told["without_picture"] == [{"path": path, "why": why} for path, why in outcome.bare]


def test_they_are_made_after_an_offload_has_told_its_answer() -> None:
    keeper = HandKeeper(answer=day.offloaded())
    done = CliRunner().invoke(main, OFFLOAD, obj=keeper.session())
    assert done.exit_code == 0
    assert keeper.asked[1:] == [("posters after", day.offloaded().folders)]


def test_why_there_are_none_is_said_beside_the_answer() -> None:
    keeper = HandKeeper(answer=day.offloaded(), afterwards=lambda: ("No library.",))
    done = CliRunner().invoke(main, OFFLOAD, obj=keeper.session())
    assert (done.exit_code, done.stderr.splitlines()[-1]) == (0, "No library.")
    assert "No library" not in done.stdout


@pytest.mark.parametrize("error", [KeyboardInterrupt(), WriteError("/x", 28)])
@pytest.mark.parametrize("more", [(), ("--json",)])
def test_an_offload_s_answer_stands_whatever_becomes_of_posters(
    error: BaseException, more: tuple[str, ...]
) -> None:
    def fail() -> tuple[str, ...]:
        raise error

    good = HandKeeper(answer=day.offloaded())
    bad = HandKeeper(answer=day.offloaded(), afterwards=fail)
    as_good = CliRunner().invoke(main, (*OFFLOAD, *more), obj=good.session())
    as_bad = CliRunner().invoke(main, (*OFFLOAD, *more), obj=bad.session())
    assert (as_bad.exit_code, as_bad.stdout) == (as_good.exit_code, as_good.stdout)
    assert as_bad.exit_code == 0


def test_no_posters_are_made_where_the_offload_failed() -> None:
    keeper = HandKeeper(answer=WriteError("/x", 28))
    done = CliRunner().invoke(main, OFFLOAD, obj=keeper.session())
    assert done.exit_code == 3
    assert [one[0] for one in keeper.asked] == ["offload"]
