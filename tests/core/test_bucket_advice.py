"""What findings mean: a table of cases, each with the sentence that a person reads."""

from dataclasses import replace

import pytest
from hypothesis import given

from backupkeeper.core.bucket_advice import BucketAdvice, Level, advice_on_bucket
from backupkeeper.core.bucket_findings import Findings, Word
from tests.core.made_findings import GOOD
from tests.core.test_bucket_findings import findings


def told(found: Findings, days: int = 0) -> dict[str, BucketAdvice]:
    return {one.code: one for one in advice_on_bucket(found, name="Off site", retention_days=days)}


def test_a_bucket_with_which_nothing_is_wrong_gives_no_advice() -> None:
    assert told(GOOD) == {}
    assert told(GOOD, days=30) == {}


@pytest.mark.parametrize(
    ("change", "code", "level", "words"),
    [
        ({"read_by_anybody": True}, "public", Level.STOP, "read without any credentials"),
        ({"public_policy": Word.YES}, "policy-public", Level.WARN, "Look at the policy"),
        ({"public_grants": Word.YES}, "public", Level.STOP, "access list"),
        ({"deletes_days": 90}, "rule-deletes", Level.WARN, "after 90 days"),
        ({"deletes_days": 0}, "rule-deletes", Level.WARN, "on a set date"),
        ({"refuses": {}}, "attests-nothing", Level.NOTE, "fetched back and compared"),
        ({"versioning": False}, "no-versioning", Level.NOTE, "It keeps no versions"),
        ({"object_lock": Word.NO}, "no-lock", Level.NOTE, "It has no object lock"),
        ({"object_lock": Word.NOT_OFFERED}, "no-lock", Level.NOTE, "offers no object lock"),
        ({"object_lock": Word.NOT_ALLOWED}, "no-lock", Level.NOTE, "not allowed to look"),
        ({"lock_default": ""}, "lock-unused", Level.NOTE, "nothing is locked"),
        ({"lifecycle": Word.NO}, "no-abort-rule", Level.NOTE, "No lifecycle rule"),
        ({"lifecycle": Word.NOT_ALLOWED}, "abort-rule-unknown", Level.NOTE, "not allowed to look"),
        ({"lifecycle": Word.NOT_OFFERED}, "abort-rule-unknown", Level.NOTE, "does not tell"),
        ({"abort_days": 7}, "aborts-early", Level.NOTE, "after 7 days"),
        ({"skew_s": 61.0}, "clock", Level.WARN, "61 seconds before"),
        ({"skew_s": -3600.0}, "clock", Level.WARN, "60 minutes behind"),
        ({"skew_s": -7200.0}, "clock", Level.WARN, "2 hours behind"),
        ({"skew_s": 14_613_207.0}, "clock", Level.WARN, "169 days before"),
        ({"left_behind": ("a", "b")}, "scratch-left", Level.NOTE, "2 tiny scratch objects stay"),
    ],
)
def test_each_finding_has_its_sentence(
    change: dict[str, object], code: str, level: Level, words: str
) -> None:
    (one,) = told(replace(GOOD, **change)).values()  # type: ignore[arg-type]  # a table of fields
    assert (one.code, one.level) == (code, level)
    assert words in one.words


@pytest.mark.parametrize("skew", [None, 0.0, 59.0, -59.0])
def test_a_clock_that_is_about_right_is_not_told(skew: float | None) -> None:
    assert told(replace(GOOD, skew_s=skew)) == {}


def test_an_abort_rule_without_days_is_left_alone() -> None:
    assert told(replace(GOOD, abort_days=None)) == {}


def test_days_that_the_bucket_can_not_keep_are_a_warning() -> None:
    for word in (Word.NO, Word.NOT_OFFERED, Word.NOT_ALLOWED):
        one = told(replace(GOOD, object_lock=word, versioning=False), days=30)["no-lock"]
        assert one.level is Level.WARN
        assert "retention_days has no effect" in one.words


def test_the_command_can_be_typed_as_it_stands() -> None:
    found = replace(GOOD, read_by_anybody=True)
    (one,) = advice_on_bucket(found, name="Anna's place", retention_days=0)
    assert one.command == "backupkeeper place check 'Anna'\\''s place'"


@given(findings)
def test_what_matters_most_comes_first_and_only_public_stops(one: Findings) -> None:
    advice = advice_on_bucket(one, name="Off site", retention_days=0)
    levels = [list(Level).index(each.level) for each in advice]
    assert levels == sorted(levels)
    assert (Level.STOP in {each.level for each in advice}) is one.is_public
    assert all(each.words.rstrip(":").endswith(".") or each.command for each in advice)


def test_a_class_that_was_asked_for_in_vain_is_told_with_what_is_done_instead() -> None:
    advice = advice_on_bucket(
        GOOD, name="Off site", retention_days=0, other_classes={"COOL": "STANDARD"}
    )
    (one,) = (one for one in advice if one.code == "class-ignored")
    assert one.level is Level.WARN
    assert one.words.startswith(
        "The storage class COOL was asked for, and objects stand in STANDARD"
    )
