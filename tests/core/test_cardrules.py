"""Whose card is it? Rules that ask for labels, folders and files."""

import time

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.cardrules import (
    LONGEST_PATTERN,
    Recognised,
    Sight,
    SourceRule,
    answers,
    recognise,
)

WIDE = SourceRule(name="Wide", label="WIDE_*", folders=("DCIM",), files=("*.MP4", "*.MOV"))
CLOSE = SourceRule(name="Close", folders=("DCIM/*CLOSE", "MISC"))
RECORDER = SourceRule(name="Recorder", files=("SOUND/????.wav",))
CARD = Sight(
    label="WIDE_02",
    fs_type="exfat",
    folders=("DCIM", "DCIM/100BOATY", "MISC"),
    files=("DCIM/100BOATY/BOAT0001.MP4", "MISC/INDEX.DAT"),
)
NAMES = st.text(max_size=12).map(lambda text: text.replace("/", ""))
PATHS = st.lists(NAMES, min_size=1, max_size=4).map("/".join)
SIGHTS = st.builds(
    Sight,
    label=st.none() | NAMES,
    folders=st.lists(PATHS, max_size=4).map(tuple),
    files=st.lists(PATHS, max_size=4).map(tuple),
)
RULES = st.builds(
    SourceRule,
    name=st.sampled_from(["Wide", "Close", "Drone"]),
    label=st.none() | NAMES,
    folders=st.lists(PATHS, max_size=2).map(tuple),
    files=st.lists(PATHS, max_size=2).map(tuple),
)


def test_the_one_rule_that_answers_is_the_source() -> None:
    assert recognise([WIDE, CLOSE, RECORDER], CARD) == Recognised(rule=WIDE)
    assert recognise([WIDE, CLOSE, RECORDER], CARD).trouble == ""


def test_none_and_several_are_told_by_name() -> None:
    none = recognise([RECORDER], CARD)
    assert (none.rule, none.trouble) == (None, "It answers to none of the sources.")
    close = SourceRule(name="Close", folders=("dcim",))
    drone = SourceRule(name="Drone", files=("*.mp4",))
    two = recognise([WIDE, close], CARD)
    assert (two.rule, two.several) == (None, ("Wide", "Close"))
    assert two.trouble == "It answers to Wide and Close, so its source is not known."
    three = recognise([WIDE, close, drone], CARD)
    assert three.trouble == "It answers to Wide, Close and Drone, so its source is not known."


def test_two_looks_of_one_source_are_one_source() -> None:
    again = SourceRule(name="Wide", folders=("DCIM",))
    assert recognise([WIDE, again], CARD) == Recognised(rule=WIDE)


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        (SourceRule(name="x"), False),
        (SourceRule(name="x", label="wide_02"), True),
        (SourceRule(name="x", label="*"), True),
        (SourceRule(name="x", label="WIDE"), False),
        (SourceRule(name="x", label="WIDE_02", folders=("PRIVATE",)), False),
        (SourceRule(name="x", label="OTHER", folders=("DCIM",)), False),
        (SourceRule(name="x", folders=("DCIM", "MISC")), True),
        (SourceRule(name="x", folders=("DCIM", "CLIP")), False),
        (SourceRule(name="x", folders=("/DCIM/100*/",)), True),
        (SourceRule(name="x", folders=("100BOATY",)), False),
        (SourceRule(name="x", folders=("*",)), True),
        (SourceRule(name="x", folders=("*BOATY",)), False),
        (SourceRule(name="x", files=("boat????.mp4",)), True),
        (SourceRule(name="x", files=("*.WAV", "*.DAT")), True),
        (SourceRule(name="x", files=("*.WAV",)), False),
        (SourceRule(name="x", files=("DCIM/*.MP4",)), False),
        (SourceRule(name="x", files=("DCIM/*/*.MP4",)), True),
        (SourceRule(name="x", files=("BOAT000[1].MP4",)), False),
    ],
)
def test_every_criterion_that_is_given_must_hold(rule: SourceRule, expected: bool) -> None:
    assert answers(rule, CARD) is expected


def test_a_label_that_is_not_known_answers_to_no_pattern() -> None:
    assert not answers(SourceRule(name="x", label="*"), Sight(label=None))
    assert answers(SourceRule(name="x", label="*"), Sight(label=""))


def test_brackets_mean_themselves() -> None:
    sight = Sight(label="CARD[1]", files=("a[!b].MP4",))
    assert answers(SourceRule(name="x", label="card[1]", files=("A[!B].*",)), sight)


@pytest.mark.parametrize(("one", "other"), [("É", "e\u0301"), ("STRASSE", "straße"), ("Ω", "ω")])
def test_neither_case_nor_the_composition_of_accents_matters(one: str, other: str) -> None:
    assert answers(SourceRule(name="x", label=one), Sight(label=other))
    assert answers(SourceRule(name="x", label=other), Sight(label=one))


def test_names_that_are_no_text_are_compared_too() -> None:
    odd = "\udcff\n.MP4"
    assert answers(SourceRule(name="x", files=("*.mp4",)), Sight(files=(odd,)))
    assert answers(SourceRule(name="x", files=(odd,)), Sight(files=(odd,)))


@pytest.mark.parametrize(
    "pattern", ["*a" * 127, "?*" * 127, "*" * 255, "(a+)+$", "*" + "a*" * 120 + "b"]
)
def test_hostile_patterns_on_hostile_names_take_no_time(pattern: str) -> None:
    sight = Sight(label="a" * LONGEST_PATTERN, files=("a" * LONGEST_PATTERN,) * 10)
    begun = time.process_time()
    answers(SourceRule(name="x", label=pattern), sight)
    answers(SourceRule(name="x", files=(pattern,)), sight)
    assert time.process_time() - begun < 1.0


def test_what_is_longer_than_a_name_can_be_matches_nothing() -> None:
    long = "a" * (LONGEST_PATTERN + 1)
    assert not answers(SourceRule(name="x", label="*"), Sight(label=long))
    assert not answers(SourceRule(name="x", label="*" * len(long)), Sight(label="a"))


@given(st.lists(RULES, max_size=5), SIGHTS)
def test_what_is_recognised_answers_and_nobody_else_does(
    rules: list[SourceRule], sight: Sight
) -> None:
    found = recognise(rules, sight)
    names = {rule.name for rule in rules if answers(rule, sight)}
    if len(names) == 1:
        assert found.rule is not None
        assert answers(found.rule, sight)
        assert {found.rule.name} == names
    else:
        assert found.rule is None
        assert set(found.several) == names
    assert bool(found.trouble) == (found.rule is None)


@given(RULES, SIGHTS, PATHS, PATHS)
def test_seeing_more_never_makes_an_answer_go_away(
    rule: SourceRule, sight: Sight, folder: str, file: str
) -> None:
    more = Sight(label=sight.label, folders=(*sight.folders, folder), files=(*sight.files, file))
    assert answers(rule, more) or not answers(rule, sight)


@given(SIGHTS)
def test_a_rule_made_of_what_is_there_answers(sight: Sight) -> None:
    def plain(text: str) -> bool:
        return not set("*?") & set(text) and text.strip("/") == text and bool(text)

    rule = SourceRule(
        name="x",
        label=sight.label,
        folders=tuple(filter(plain, sight.folders)),
        files=tuple(filter(plain, sight.files)),
    )
    asked = rule.label is not None or rule.folders or rule.files
    assert answers(rule, sight) is bool(asked)
