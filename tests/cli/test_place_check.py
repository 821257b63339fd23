"""``place check``: what it writes, and the exit code."""

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner, Result

from backupkeeper.cli.main import main
from backupkeeper.core.bucket_advice import advice_on_bucket
from backupkeeper.core.bucket_findings import Findings, Step, Word
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role
from backupkeeper.core.outcomes import PlaceCheck
from backupkeeper.report import exits
from backupkeeper.report.bucket import check_json, check_lines
from backupkeeper.report.lines import Look
from tests.cli.hand_keeper import HandKeeper
from tests.core.made_findings import GOOD

PLACE = Place(
    id=PlaceId("one"),
    name="Off site",
    role=Role.CLOUD,
    kind=PlaceKind.BUCKET,
    created_at=datetime(2026, 6, 12, tzinfo=UTC),
    location="s3://boatyard/footage",
)
BAD = replace(
    GOOD,
    refuses={"crc32": (), "sha256": tuple(Step)},
    returns=("sha256",),
    conditional_complete=False,
    refuses_small_parts=False,
    takes_part_10000=False,
    versioning=False,
    object_lock=Word.NOT_ALLOWED,
    lock_default="",
    lifecycle=Word.NO,
    abort_days=None,
    read_by_anybody=True,
    public_policy=Word.NOT_ALLOWED,
    public_grants=Word.NOT_OFFERED,
    skew_s=None,
    latency_s=None,
    put_rate=None,
)


def checked(found: Findings) -> PlaceCheck:
    advice = advice_on_bucket(found, name="Off site", retention_days=0)
    at = datetime(2026, 6, 12, 18, tzinfo=UTC)
    return PlaceCheck(place=PLACE, at=at, findings=found, advice=advice)


def run(answer: object, *words: str, narrow: bool = False) -> Result:
    session = HandKeeper(answer=answer).session(**({"COLUMNS": "40"} if narrow else {}))
    return CliRunner().invoke(main, ("place", "check", "Off site", *words), obj=session)


@pytest.mark.parametrize(
    ("found", "code"),
    [
        (GOOD, 0),
        (replace(GOOD, versioning=False), 0),
        (replace(GOOD, refuses={}), 0),
        (replace(GOOD, deletes_days=9), 1),
        (BAD, 1),
    ],
)
def test_the_exit_code_says_whether_something_needs_doing(found: Findings, code: int) -> None:
    assert run(checked(found)).exit_code == code == exits.of_check(checked(found))


def test_a_good_bucket_in_words() -> None:
    text = run(checked(GOOD)).stdout
    assert "refuses wrong bytes: content-md5 (put, part)" in text
    assert "object lock: yes (by default: governance, 30 days)" in text
    assert "public: no: reading without credentials was refused\n" in text
    assert "answers within: 50 ms (median)" in text


def test_a_bad_bucket_in_words() -> None:
    text = run(checked(BAD)).stdout
    assert "refuses wrong bytes: sha256 (put, part, complete)" in text
    assert "never overwrites, if asked: only uploads in one piece" in text
    assert "object lock: not known: the credentials are not allowed to look" in text
    assert "public: YES" in text
    assert "    backupkeeper place check 'Off site'\n" in text
    assert "clock" not in text


def test_what_was_not_looked_at_stands_beside_not_public() -> None:
    found = replace(GOOD, public_policy=Word.NOT_ALLOWED, public_grants=Word.NOT_OFFERED)
    text = " ".join(run(checked(found)).stdout.split())
    assert "was refused (policy and ACL not looked at)" in text


def test_a_narrow_terminal_is_kept_to_but_for_commands() -> None:
    lines = check_lines(checked(BAD), Look(width=40))
    assert [
        one.text for one in lines if len(one.text) > 40 and "backupkeeper" not in one.text
    ] == []


def test_json_has_every_finding_and_all_advice() -> None:
    told = json.loads(run(checked(BAD), "--json").stdout)
    assert told == json.loads(json.dumps(check_json(checked(BAD))))
    assert (told["version"], told["public"], told["object_lock"]) == (1, True, "not allowed")
    assert told["advice"][0]["code"] == "public"
    assert (told["clock_ahead_seconds"], told["rule_added"]) == (None, None)


def test_the_rule_alone_is_written_to_standard_output() -> None:
    result = run({"ID": "ours"}, "--lifecycle-rule")
    assert json.loads(result.stdout) == {"Rules": [{"ID": "ours"}]}
    assert result.exit_code == 0


@pytest.mark.parametrize(
    ("added", "words"), [(True, "The rule was added"), (False, "Nothing to add")]
)
def test_setting_the_rule_says_what_was_done(added: bool, words: str) -> None:
    result = run((added, checked(GOOD)), "--set-lifecycle", "--yes")
    assert result.exit_code == 0
    assert words in result.stdout
    told = json.loads(run((added, checked(GOOD)), "--set-lifecycle", "--yes", "--json").stdout)
    assert told["rule_added"] is added


def test_nothing_is_set_without_a_word_where_nobody_can_be_asked() -> None:
    result = run((True, checked(GOOD)), "--set-lifecycle")
    assert result.exit_code == 2
    assert "Add --yes" in result.stderr


@pytest.mark.parametrize("words", [("--yes",), ("--lifecycle-rule", "--set-lifecycle")])
def test_options_that_do_not_go_together_are_told(words: tuple[str, ...]) -> None:
    assert run(checked(GOOD), *words).exit_code == 2
