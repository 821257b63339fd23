"""The verdict: a yes and a no can't be taken for one another, and every reason is said."""

# ruff: noqa: RUF001 - the dashes are those of the reports
import json
import unicodedata

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.model import Blake3, CopyState, Role
from backupkeeper.core.outcomes import JudgedFile, Reason, ReasonCode, Verdict
from backupkeeper.report.lines import Look, Tone
from backupkeeper.report.objects import as_text
from backupkeeper.report.reasons import in_words
from backupkeeper.report.verdict import verdict_json, verdict_lines
from tests.report.boatyard import (
    CARD,
    CLIPS,
    ESCAPING,
    NAMES,
    flat,
    judged,
    look,
    text,
    verdict,
)

LOOKS = [look(80), look(40), look(80, ascii_only=True), look(40, ascii_only=True)]


def page(one: Verdict, at: Look | None = None, *, distinct: bool = True) -> str:
    return text(verdict_lines(one, NAMES, at or look(), distinct_devices=distinct))


def sentence(one: Verdict, *, distinct: bool = True) -> str:
    return flat(verdict_lines(one, NAMES, look(), distinct_devices=distinct))


YES = verdict(*map(judged, CLIPS))
NO = verdict(
    judged(CLIPS[0]),
    judged(CLIPS[1], secondary=CopyState.DAMAGED, cloud=CopyState.ABSENT),
    reasons=(
        Reason(code=ReasonCode.NO_COPY, role=Role.CLOUD, paths=(CLIPS[1],)),
        Reason(code=ReasonCode.DAMAGED, role=Role.SECONDARY, paths=(CLIPS[1],)),
    ),
)


def test_a_yes_reads_as_written_here() -> None:
    assert page(YES) == (
        """
  ██  ██  ██████  ██████
  ██  ██  ██      ██
   ████   ████    ██████
    ██    ██          ██
    ██    ██████  ██████

  This card may be wiped.

  /media/me/WIDE
  2 files, 2.40 GB, read from the card and judged 2026-06-14 09:12

What is proven
  ■ primary: 2 of 2 files proven
    Main: read back right after writing, oldest 2 days ago (2026-06-12 09:12)
  ■ secondary: 2 of 2 files proven
    Travel: read again later, oldest 2 days ago (2026-06-12 09:12)
  ■ cloud: 2 of 2 files proven
    Off site: checked on arrival, oldest 2 days ago (2026-06-12 09:12)

Before you wipe it
  – This is about the bytes that were on the card at 2026-06-14 09:12. If
    anything was recorded since, ask again.
  – Format the card in the camera, not in the computer.
  – backupkeeper wipes nothing: that is for you to do."""
    )


def test_a_no_reads_as_written_here() -> None:
    assert page(NO, look(80, ascii_only=True)) == (
        """
  +===================+
  |  ##   ##  ######  |
  |  ###  ##  ##  ##  |
  |  ## # ##  ##  ##  |
  |  ##  ###  ##  ##  |
  |  ##   ##  ######  |
  +===================+

  This card must not be wiped.

  /media/me/WIDE
  2 files, 2.40 GB, read from the card and judged 2026-06-14 09:12

What is proven
  [#] primary: 2 of 2 files proven
      Main: read back right after writing, oldest 2 days ago (2026-06-12 09:12)
  [ ] secondary: 1 of 2 files proven, 1 damaged
      Travel: read again later, oldest 2 days ago (2026-06-12 09:12)
  [ ] cloud: 1 of 2 files proven, 1 absent
      Off site: checked on arrival, oldest 2 days ago (2026-06-12 09:12)

Why not
  1. 1 file has no copy in the cloud.
       DCIM/100BOATY/BOAT0002.MP4
     Bring them there:
       backupkeeper upload

  2. 1 file is damaged on a secondary drive.
       DCIM/100BOATY/BOAT0002.MP4
     Keep the card, and have the damaged copy mended from another one:
       backupkeeper repair Travel"""
    )


@pytest.mark.parametrize("at", LOOKS, ids=lambda at: f"{at.width} columns, {at.unicode=}")
def test_both_answers_fit_the_width_and_say_so_in_words_and_shape(at: Look) -> None:
    for one, words in ((YES, "This card may be wiped."), (NO, "This card must not be wiped.")):
        lines = verdict_lines(one, NAMES, at, distinct_devices=True)
        long = [
            line.text
            for line in lines
            if len(line.text) > at.width and "/" not in line.text and "verify" not in line.text
        ]
        assert long == []
        assert words in flat(lines)
        assert at.unicode or text(lines).isascii()
    framed = [page(one, at).count("+" if not at.unicode else "║") for one in (YES, NO)]
    assert framed[0] == 0 < framed[1]


def test_the_tone_of_an_answer_is_only_ever_its_own() -> None:
    tones = {line.tone for line in verdict_lines(YES, NAMES, look(), distinct_devices=True)}
    assert Tone.BAD not in tones
    assert Tone.GOOD in tones


def test_a_yes_under_a_lowered_policy_says_in_the_same_sentence_what_is_missing() -> None:
    lowered = verdict(
        *(judged(path, cloud=CopyState.ABSENT) for path in CLIPS),
        asked=(Role.PRIMARY, Role.SECONDARY),
        still_missing={Role.CLOUD: 2},
    )
    told = sentence(lowered)
    assert (
        "This card may be wiped as far as primary and secondary go, which is all that your "
        "configuration asks for, but there is still no proof that counts in the cloud (2 of 2 files)."
    ) in told
    assert "This card may be wiped. " not in told
    assert "□ cloud: 0 of 2 files proven, 2 absent (not asked for)" in told


def test_a_yes_without_distinct_devices_says_so() -> None:
    assert "share one physical device" in sentence(YES, distinct=False)
    assert "share one physical device" not in sentence(YES)
    assert "share one physical device" not in sentence(NO, distinct=False)


def test_a_role_whose_proofs_do_not_count_is_not_shown_as_whole() -> None:
    shared = verdict(
        judged(CLIPS[0]),
        reasons=(Reason(code=ReasonCode.SAME_DEVICE, role=Role.SECONDARY, paths=(CLIPS[0],)),),
    )
    told = sentence(shared)
    assert "□ secondary: 1 of 1 file proven" in told
    assert "not on a physical device of its own" in told
    missing = verdict(judged(CLIPS[0]), asked=(Role.PRIMARY,), still_missing={Role.SECONDARY: 1})
    assert "□ secondary: 1 of 1 file proven (not asked for)" in sentence(missing)


def test_cautions_stand_after_a_yes_and_never_after_a_no() -> None:
    assert "Format the card in the camera" in sentence(YES)
    assert "Format the card in the camera" not in sentence(NO)


def test_what_was_left_out_and_what_is_worth_knowing_is_told() -> None:
    told = sentence(
        verdict(
            judged(CLIPS[0]),
            left_out=((".DS_Store", "folder view"), ("DCIM/.DS_Store", "folder view")),
            warnings=("\x1b[1mA clip lies in a trash folder.",),
        )
    )
    assert "Left out of every copy, so not judged – folder view: .DS_Store DCIM/.DS_Store" in told
    assert r"– \x1b[1mA clip lies in a trash folder." in told


def test_an_empty_card_has_no_table_of_proofs() -> None:
    empty = verdict(reasons=(Reason(code=ReasonCode.NOTHING_TO_JUDGE, role=None, paths=()),))
    assert "What is proven" not in sentence(empty)
    assert "There is no file on the card" in sentence(empty)


def test_of_many_paths_the_first_are_shown_and_the_rest_counted_unless_all_are_wanted() -> None:
    paths = tuple(f"DCIM/{number:04}.MP4" for number in range(25))
    many = verdict(
        *map(judged, paths),
        reasons=(Reason(code=ReasonCode.NEVER_OFFLOADED, role=None, paths=paths),),
    )
    assert "and 15 more (--all lists them)" in page(many)
    assert "0010.MP4" not in page(many)
    assert "0024.MP4" in page(many, look(most_paths=0))


@pytest.mark.parametrize("code", ReasonCode)
@pytest.mark.parametrize("role", [None, *Role])
def test_every_reason_says_what_is_the_case_and_what_to_do(
    code: ReasonCode, role: Role | None
) -> None:
    told = [
        in_words(Reason(code=code, role=role, paths=tuple("ab"[:n])), card=CARD, place=place)
        for n in (1, 2)
        for place in (None, "Off site")
    ]
    for words in told:
        assert words.message.endswith((".", ")."))
        assert words.advice
        assert not words.command or words.command.startswith("backupkeeper ")
        assert words.advice.endswith(":") == bool(words.command)


def test_every_reason_has_a_sentence_of_its_own() -> None:
    said = {
        in_words(Reason(code=code, role=Role.CLOUD, paths=("a",)), card=CARD).message
        for code in ReasonCode
    }
    assert len(said) == len(ReasonCode)


def test_a_command_can_be_pasted_whatever_the_card_is_called() -> None:
    reason = Reason(code=ReasonCode.NEVER_OFFLOADED, role=None, paths=("a",))
    assert (
        "offload '/media/me/it'\\''s $(me)' --shoot"
        in in_words(reason, card="/media/me/it's $(me)").command
    )


def test_no_name_of_a_card_can_fake_an_answer() -> None:
    hostile = verdict(
        judged(ESCAPING, primary=CopyState.ABSENT),
        reasons=(
            Reason(code=ReasonCode.NO_COPY, role=Role.PRIMARY, paths=(ESCAPING,), detail=ESCAPING),
        ),
        card=f"/media/{ESCAPING}",
        left_out=((ESCAPING, ESCAPING),),
        warnings=(ESCAPING,),
    )
    for line in verdict_lines(hostile, NAMES, look(), distinct_devices=True):
        assert line.text.isprintable()


def test_the_json_of_a_no_is_the_documented_object() -> None:
    told = json.loads(as_text(verdict_json(NO, NAMES)))
    assert told == {
        "version": 1,
        "card": CARD,
        "verdict": "no",
        "reasons": [
            {
                "code": "no-copy",
                "message": "1 file has no copy in the cloud.",
                "paths": [CLIPS[1]],
            },
            {
                "code": "damaged",
                "message": "1 file is damaged on a secondary drive.",
                "paths": [CLIPS[1]],
            },
        ],
        "files": [
            {
                "path": path,
                "size": 1_200_000_000,
                "blake3": "ab" * 32,
                "roles": {
                    "primary": proven("Main", "readback"),
                    "secondary": secondary,
                    "cloud": cloud,
                },
            }
            for path, secondary, cloud in (
                (CLIPS[0], proven("Travel", "rehash"), proven("Off site", "attested")),
                (
                    CLIPS[1],
                    {"state": "damaged", "place": "Travel", "proof": None, "at": None},
                    {"state": "absent", "place": None, "proof": None, "at": None},
                ),
            )
        ],
    }


def proven(place: str, way: str) -> dict[str, str]:
    return {"state": "proven", "place": place, "proof": way, "at": "2026-06-12T07:12:00Z"}


def test_json_says_yes_only_for_a_yes() -> None:
    assert verdict_json(YES, NAMES)["verdict"] == "yes"
    assert verdict_json(NO, NAMES)["verdict"] == "no"


def test_a_place_that_is_not_known_is_called_by_its_id() -> None:
    told = json.loads(as_text(verdict_json(YES, {})))
    assert told["files"][0]["roles"]["primary"]["place"] == "id-main"


def test_a_file_that_could_not_be_read_has_no_digest_in_json() -> None:
    unread = JudgedFile(path="a", size=3, content=None, roles={})
    assert json.loads(as_text(verdict_json(verdict(unread), NAMES)))["files"][0]["blake3"] is None


@given(st.binary(min_size=1, max_size=40))
def test_any_name_goes_through_json_and_back_byte_for_byte(raw: bytes) -> None:
    path = raw.decode("utf-8", "surrogateescape")
    file = JudgedFile(path=path, size=1, content=Blake3("00" * 32), roles={})
    out = as_text(verdict_json(verdict(file), NAMES))
    assert out.isascii()
    assert not any(unicodedata.category(one) == "Cc" for one in out if one != "\n")
    back = json.loads(out)["files"][0]["path"]
    assert back.encode("utf-8", "surrogateescape") == raw


def test_a_card_full_of_files_that_can_not_be_read_is_told_in_a_few_lines() -> None:
    paths = [f"DCIM/{number:04}.MP4" for number in range(500)]
    reasons = tuple(
        Reason(
            code=ReasonCode.CARD_UNREADABLE,
            role=None,
            paths=(path,),
            detail=f"Could not read /c/{path} (EIO).",
        )
        for path in paths
    )
    bad = verdict(*map(judged, paths), reasons=reasons)
    told = sentence(bad)
    assert "1. 500 files on the card could not be read. – Could not read /c/DCIM/0000.MP4" in told
    assert "2. " not in told
    assert "and 490 more (--all lists them)" in told
    assert len(page(bad).splitlines()) < 60
    assert "0499.MP4" in page(bad, look(most_paths=0))
    assert len(verdict_json(bad, NAMES)["reasons"]) == 500  # type: ignore[arg-type]  # a list
