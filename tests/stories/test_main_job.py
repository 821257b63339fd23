"""A card goes in; its files exist, proven, wherever they must; then something goes wrong."""

import os
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.core.errors import OutOfReachError, UsageError
from backupkeeper.core.model import Role
from backupkeeper.core.outcomes import Answer, Finding, ReasonCode
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, rot, tree

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 5_000_000),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
}


def codes(yard: Yard, card: Path) -> set[ReasonCode]:
    verdict = yard.verdict(card)
    assert verdict.may_wipe == (not verdict.reasons)
    return {reason.code for reason in verdict.reasons}


def test_before_anything_was_done_the_answer_is_no(yard: Yard) -> None:
    yard.drives()
    assert codes(yard, yard.card("card", CARD)) == {ReasonCode.NEVER_OFFLOADED}


def test_after_an_offload_to_both_drives_the_answer_is_yes(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    outcome = yard.offload(card)
    assert outcome.sealed
    assert outcome.proven_at == {"Main": 4, "Travel": 4}
    assert tree(roll_folder(main)) == tree(roll_folder(travel)) == CARD
    verdict = yard.verdict(card)
    assert verdict.answer is Answer.YES
    assert verdict.still_missing == {Role.CLOUD: 4}


def test_without_a_cloud_copy_the_default_policy_says_no(tmp_path: Path) -> None:
    yard = Yard(tmp_path, policy="distinct_devices = false")
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    verdict = yard.verdict(card)
    assert [(one.code, one.role) for one in verdict.reasons] == [(ReasonCode.NO_COPY, Role.CLOUD)]


def test_two_folders_of_one_disk_are_one_device_by_default(tmp_path: Path) -> None:
    yard = Yard(tmp_path, policy='wipe_needs = ["primary", "secondary"]')
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    assert codes(yard, card) == {ReasonCode.SAME_DEVICE}


def test_empty_folders_and_times_are_kept(yard: Yard) -> None:
    main, _ = yard.drives()
    card = yard.card("card", CARD)
    (card / "PRIVATE" / "EMPTY").mkdir(parents=True)
    yard.offload(card)
    assert (roll_folder(main) / "PRIVATE" / "EMPTY").is_dir()
    for path in CARD:
        there = (roll_folder(main) / path).stat().st_mtime_ns
        assert there == (card / path).stat().st_mtime_ns


def test_the_same_card_again_copies_nothing(yard: Yard) -> None:
    main, _ = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    before = {path: path.stat().st_mtime_ns for path in main.rglob("*")}
    again = yard.offload(card)
    assert (again.roll, again.new_files, again.known_files) == (None, 0, 4)
    assert {path: path.stat().st_mtime_ns for path in main.rglob("*")} == before


def test_the_card_copied_elsewhere_with_new_times_is_recognised_by_content(yard: Yard) -> None:
    yard.drives()
    yard.offload(yard.card("card", CARD))
    again = yard.offload(yard.card("copy of the card", CARD))
    assert (again.roll, again.new_files, again.known_files) == (None, 0, 4)


def test_a_card_that_was_recorded_on_further_gives_a_roll_with_only_the_new_files(
    yard: Yard,
) -> None:
    main, _ = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    yard.card("card", {"DCIM/100BOATY/BOAT0003.MP4": clip(3)})
    outcome = yard.offload(card)
    assert outcome.folder == f"{SHOOT}/Originals/Wide/Roll 02"
    assert tree(roll_folder(main, "Roll 02")) == {"DCIM/100BOATY/BOAT0003.MP4": clip(3)}
    assert codes(yard, card) == set()


def test_another_card_with_the_same_names_and_sidecar_keeps_its_whole_tree(yard: Yard) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("card", CARD))
    other = {**CARD, "DCIM/100BOATY/BOAT0001.MP4": clip(8, 5_000_000)}
    other["DCIM/100BOATY/BOAT0002.MP4"] = clip(9)
    outcome = yard.offload(yard.card("other card", other))
    assert outcome.new_files == 4
    assert tree(roll_folder(main, "Roll 02")) == other


def test_a_card_that_changed_after_the_offload_is_a_no(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    yard.card("card", {"DCIM/100BOATY/BOAT0002.MP4": clip(4)})
    verdict = yard.verdict(card)
    assert [(one.code, one.paths) for one in verdict.reasons] == [
        (ReasonCode.NEVER_OFFLOADED, ("DCIM/100BOATY/BOAT0002.MP4",))
    ]


def test_a_spoiled_byte_is_found_and_turns_the_answer_to_no(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    rot(roll_folder(travel) / "DCIM/100BOATY/BOAT0001.MP4", 4_500_000, b"spoiled")
    outcome = yard.verify("Travel")
    assert not outcome.all_well
    (found,) = outcome.checked
    assert (found.finding, found.damage) == (Finding.DAMAGED, ((4_500_000, 4_500_007),))
    verdict = yard.verdict(card)
    assert [(one.code, one.role) for one in verdict.reasons] == [
        (ReasonCode.DAMAGED, Role.SECONDARY)
    ]
    assert yard.gaps_of("Roll 01") == (Role.SECONDARY, Role.CLOUD)
    assert tree(roll_folder(main)) == CARD


@pytest.mark.parametrize(
    ("spoil", "finding"),
    [("edit", Finding.CHANGED), ("cut", Finding.CHANGED), ("delete", Finding.MISSING)],
)
def test_edited_cut_and_deleted_copies_are_told_apart(
    yard: Yard, spoil: str, finding: Finding
) -> None:
    main, _ = yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    copy = roll_folder(main) / "DCIM/100BOATY/BOAT0002.MP4"
    if spoil == "edit":
        copy.write_bytes(clip(7))
        os.utime(copy, (2e9, 2e9))
    elif spoil == "cut":
        copy.write_bytes(clip(2)[:1000])
    else:
        copy.unlink()
    (found,) = yard.verify("Main").checked
    assert found.finding is finding
    assert not yard.verdict(card).may_wipe


def test_a_file_that_no_roll_knows_is_named(yard: Yard) -> None:
    main, _ = yard.drives()
    yard.offload(yard.card("card", CARD))
    (roll_folder(main) / "notes.txt").write_text("who put this here?")
    (found,) = yard.verify("Main").checked
    assert (found.finding, found.path) == (
        Finding.UNKNOWN,
        f"{SHOOT}/Originals/Wide/Roll 01/notes.txt",
    )


def test_proofs_age_and_verify_renews_them(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card)
    yard.clock.at += timedelta(days=91)
    assert codes(yard, card) == {ReasonCode.PROOF_TOO_OLD}
    assert yard.verify().matching_files == 8
    assert codes(yard, card) == set()


def test_mirror_brings_a_roll_to_the_drive_that_was_away(yard: Yard) -> None:
    yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    (card / "EMPTY").mkdir()
    yard.offload(card)
    travel = yard.drive("Travel", Role.SECONDARY)
    outcome = yard.mirror()
    assert (outcome.copied_files, outcome.troubles) == (4, ())
    assert tree(roll_folder(travel)) == CARD
    assert (roll_folder(travel) / "EMPTY").is_dir()
    assert codes(yard, card) == set()
    assert yard.mirror().copied_files == 0


def test_mirror_never_copies_on_what_rotted(yard: Yard) -> None:
    main = yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    yard.offload(card)
    rot(roll_folder(main) / "DCIM/100BOATY/BOAT0002.MP4", 10, b"spoiled")
    travel = yard.drive("Travel", Role.SECONDARY)
    outcome = yard.mirror()
    assert outcome.copied_files == 3
    assert outcome.troubles
    assert not (roll_folder(travel) / "DCIM/100BOATY/BOAT0002.MP4").exists()
    assert ReasonCode.DAMAGED in codes(yard, card)


def test_offloading_again_with_the_second_drive_there_brings_it_from_the_card(yard: Yard) -> None:
    yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    yard.offload(card)
    travel = yard.drive("Travel", Role.SECONDARY)
    outcome = yard.offload(card)
    assert (outcome.roll, outcome.proven_at["Travel"]) == (None, 4)
    assert tree(roll_folder(travel)) == CARD
    assert (roll_folder(travel) / "ascmhl").is_dir()


def test_an_empty_card_is_a_no(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", {})
    assert codes(yard, card) == {ReasonCode.NOTHING_TO_JUDGE}
    assert yard.offload(card).new_files == 0


def test_a_link_on_the_card_is_not_copied_and_makes_it_a_no(yard: Yard, tmp_path: Path) -> None:
    main, _ = yard.drives()
    card = yard.card("card", CARD)
    secret = tmp_path / "secret"
    secret.write_text("not yours")
    (card / "leaves").symlink_to(secret)
    outcome = yard.offload(card)
    assert [path for path, _ in outcome.specials] == ["leaves"]
    assert codes(yard, card) == {ReasonCode.NOT_A_FILE}
    assert not (roll_folder(main) / "leaves").exists()


def test_a_place_is_never_taken_for_a_card(yard: Yard) -> None:
    main, _ = yard.drives()
    for folder in (main, yard.root):
        with pytest.raises(UsageError, match="not a card"):
            yard.offload(folder)


def test_without_a_drive_nothing_is_begun(yard: Yard) -> None:
    with pytest.raises(OutOfReachError, match="No drive is here"):
        yard.offload(yard.card("card", CARD))


def test_a_sealed_roll_takes_no_new_files(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", CARD)
    yard.offload(card, roll="Roll 01")
    yard.card("card", {"DCIM/100BOATY/BOAT0003.MP4": clip(3)})
    with pytest.raises(UsageError, match="sealed"):
        yard.offload(card, roll="Roll 01")


@pytest.mark.parametrize("roll", [None, "Roll 01"], ids=["no name given", "named"])
def test_each_source_counts_its_own_rolls(yard: Yard, roll: str | None) -> None:
    yard.drives()
    yard.offload(yard.card("wide", CARD))
    outcome = yard.offload(yard.card("close", {"A.MP4": clip(9)}), source="Close", roll=roll)
    assert outcome.folder == f"{SHOOT}/Originals/Close/Roll 01"


def test_odd_names_come_over_byte_for_byte(yard: Yard) -> None:
    main, _ = yard.drives()
    names = ["new\nline.MP4", "\x1b[31mred.MP4", "bytes\udcff.MP4", "é.MP4", "é.MP4", "x" * 255]
    card = yard.card("card", {name: clip(n, 1000) for n, name in enumerate(names)})
    outcome = yard.offload(card)
    assert outcome.troubles == ()
    assert set(tree(roll_folder(main))) == set(names)
    assert codes(yard, card) == set()
    assert yard.verify("Main").all_well


def test_a_card_with_its_own_manifest_folder_keeps_it_apart_from_ours(yard: Yard) -> None:
    main, _ = yard.drives()
    card = yard.card("card", {**CARD, "ascmhl/0001_old.mhl": b"<theirs/>"})
    outcome = yard.offload(card)
    assert outcome.renamed
    assert codes(yard, card) == set()
    assert yard.verify("Main").all_well
    assert (roll_folder(main) / "ascmhl" / "ascmhl_chain.xml").is_file()
