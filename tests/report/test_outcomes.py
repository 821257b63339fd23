"""Outcomes in words: nothing is called proven that was not, everything that is wrong is named."""

import json
from collections.abc import Callable
from dataclasses import replace

import pytest

from backupkeeper.core.errors import ConfigError, ConfigFault, DriveGoneError
from backupkeeper.core.model import PlaceKind, Role, Standing
from backupkeeper.core.outcomes import Finding, OffloadOutcome, PlaceReport, Trouble
from backupkeeper.report import exits
from backupkeeper.report.checks import verify_lines
from backupkeeper.report.deeds import mirror_lines, offload_lines, upload_lines
from backupkeeper.report.lines import Line, Look
from backupkeeper.report.objects import (
    added_json,
    as_text,
    error_json,
    mirror_json,
    offload_json,
    places_json,
    upload_json,
    verify_json,
)
from backupkeeper.report.places import added_lines, places_lines
from tests.report import day
from tests.report.day import checked, mirrored, offloaded, uploaded, verified

WARM = {"Travel": "This mount is FUSE."}


def test_an_offload_that_is_proven_everywhere_says_where() -> None:
    told = day.flat(offload_lines(offloaded(), day.look()))
    assert exits.of_offload(offloaded()) == 0
    assert told.startswith("2 new files, 8.40 MB from /media/me/WIDE in 12 s")
    assert "Main: 2 of 2 files of the card proven" in told
    assert "Keep the card until this says yes: backupkeeper may-wipe /media/me/WIDE" in told
    assert "DCIM/a:b.MP4 DCIM/a%3Ab.MP4" in told


def test_an_offload_that_was_not_read_cold_claims_nothing_and_says_what_would_count() -> None:
    outcome = offloaded(proven=0, not_cold=WARM)
    told = day.flat(offload_lines(outcome, day.look()))
    assert exits.of_offload(outcome) == 1
    assert "Travel: 0 of 2 files of the card proven" in told
    assert "This mount is FUSE." in told
    assert "backupkeeper verify Travel" in told


@pytest.mark.parametrize(
    ("outcome", "code"),
    [
        (offloaded(sealed=False), 3),
        (offloaded(proven=1), 1),
        (offloaded(troubles=(day.FULL,)), 1),
        (offloaded(specials=(("pipe", "a FIFO"),)), 1),
        (replace(offloaded(), proven_at={}), 1),
        (replace(offloaded(), places=(), proven_at={}), 3),
    ],
)
def test_nothing_short_of_all_files_on_all_drives_is_well(
    outcome: OffloadOutcome, code: int
) -> None:
    assert exits.of_offload(outcome) == code


def test_an_unfinished_offload_says_how_to_go_on() -> None:
    told = day.flat(offload_lines(offloaded(sealed=False), day.look()))
    assert told.startswith("NOT FINISHED")
    assert "Repeat the same command" in told
    assert "may-wipe" not in told


@pytest.mark.parametrize(
    ("known", "said"),
    [(1, "its one file is in earlier"), (2, "all 2 files are"), (0, "Nothing could be taken")],
)
def test_a_card_with_nothing_new_says_so(known: int, said: str) -> None:
    outcome = replace(offloaded(), roll=None, folder=None, new_files=0, known_files=known)
    assert said in day.flat(offload_lines(outcome, day.look()))


def test_resumed_and_known_files_are_the_cards_too() -> None:
    outcome = replace(
        offloaded(), new_files=1, resumed_files=1, known_files=1, proven_at={"Main": 3, "Travel": 3}
    )
    assert exits.of_offload(outcome) == 0
    told = day.flat(offload_lines(outcome, day.look()))
    assert "1 file had been brought over before it stopped." in told
    assert "In earlier rolls already: 1 file" in told


def test_a_manifest_that_is_not_there_is_told_with_what_writes_it() -> None:
    outcome = replace(offloaded(), unwritten=("Travel: the manifest was not written: full.",))
    told = day.flat(offload_lines(outcome, day.look()))
    assert "Not written yet (verify writes it) – Travel: the manifest was not" in told  # noqa: RUF001 - the dash that is shown


def test_a_mirror_says_what_it_brought_and_what_waits() -> None:
    told = day.flat(mirror_lines(mirrored(), day.look()))
    assert told.startswith("Copied 2 files, 8.40 MB. Whole and proven now")
    waiting = mirrored(files=0, waiting=("Travel is not here.",))
    assert exits.of_mirror(waiting) == 1
    told = day.flat(mirror_lines(waiting, day.look()))
    assert told == "Nothing was copied. Waiting – Travel is not here."  # noqa: RUF001 - the dash that is shown
    idle = day.flat(mirror_lines(mirrored(files=0), day.look()))
    assert idle.startswith("Nothing to mirror")


def test_a_mirror_that_was_not_read_cold_needs_attention() -> None:
    outcome = replace(mirrored(), not_cold=WARM)
    assert exits.of_mirror(outcome) == 1
    assert "counts as no proof" in day.flat(mirror_lines(outcome, day.look()))


def test_a_whole_place_in_trouble_means_not_finished() -> None:
    assert exits.of_mirror(mirrored(troubles=(day.FULL,))) == 3
    assert exits.of_mirror(mirrored(troubles=(day.REFUSED,))) == 1
    assert exits.of_upload([replace(uploaded(), troubles=(day.FULL,))]) == 3
    assert exits.of_upload([replace(uploaded(), troubles=(day.REFUSED,))]) == 1


def test_an_upload_says_why_it_fetched_everything_back() -> None:
    outcome = uploaded(fetched_back="This bucket accepts wrong checksums.")
    told = day.flat(upload_lines([outcome], day.look()))
    assert told.startswith("Off site: sent 2 files, 8.40 MB.")
    assert "This bucket accepts wrong checksums." in told
    assert exits.of_upload([outcome]) == 0


def test_no_bucket_is_not_well() -> None:
    assert exits.of_upload([]) == 1
    assert "place add s3://" in day.flat(upload_lines([], day.look()))


def test_an_upload_that_waits_is_not_well() -> None:
    outcome = replace(uploaded(waiting=("Roll 01 waits.",)), sent_files=0)
    assert exits.of_upload([outcome]) == 1
    told = day.flat(upload_lines([outcome], day.look()))
    assert "nothing was sent" in told
    assert "Roll 01 waits." in told
    listing = [replace(uploaded(), sent_files=0, listed=1)]
    assert "1 manifest that still lacked there" in day.flat(upload_lines(listing, day.look()))
    warned = [replace(uploaded(), warnings=("The storage class COOL was asked for.",))]
    assert "The storage class COOL was asked for." in day.flat(upload_lines(warned, day.look()))
    assert exits.of_upload(warned) == 0
    idle = replace(uploaded(), sent_files=0)
    assert "nothing to send" in day.flat(upload_lines([idle], day.look()))


@pytest.mark.parametrize("finding", Finding)
def test_every_finding_is_named_with_its_path_and_what_to_do(finding: Finding) -> None:
    told = day.flat(verify_lines(verified(checked(finding)), day.look()))
    assert f"{finding.value}: 1 file" in told
    assert day.CLIP in told
    assert exits.of_verify(verified(checked(finding)), asked=False) == 1


def test_damage_is_told_with_its_first_and_last_byte() -> None:
    told = day.flat(verify_lines(verified(checked(Finding.DAMAGED)), day.look()))
    assert "bytes 8,388,608 to 12,582,911" in told
    many = replace(checked(Finding.DAMAGED), damage=tuple((n, n + 1) for n in range(0, 14, 2)))
    told = day.flat(verify_lines(verified(many), day.look()))
    assert "and 3 ranges more" in told


def test_an_edit_is_told_from_rot() -> None:
    told = day.flat(verify_lines(verified(checked(Finding.CHANGED)), day.look()))
    assert "somebody edited it" in told
    assert "rot" not in told.replace("wrote", "")


def test_a_verify_without_a_finding_is_well() -> None:
    told = day.flat(verify_lines(verified(), day.look()))
    assert "5 files, 5.00 kB: match" in told
    assert "Manifests written" in told
    assert exits.of_verify(verified(), asked=True) == 0


def test_warm_reads_are_not_well() -> None:
    told = day.flat(verify_lines(verified(not_cold=WARM), day.look()))
    assert "not all were read cold" in told
    assert "counts as no proof" in told
    assert exits.of_verify(verified(not_cold=WARM), asked=False) == 1


def test_a_place_that_is_not_here_was_not_reached() -> None:
    away = verified(matching=0, skipped=("Travel is not here.",))
    assert exits.of_verify(away, asked=True) == 3
    assert "Nothing was read that matches" in day.flat(verify_lines(away, day.look()))
    assert exits.of_verify(verified(skipped=("Main is not here.",)), asked=False) == 0
    assert exits.of_verify(replace(verified(), troubles=(day.FULL,)), asked=False) == 3
    damage = verified(checked(Finding.DAMAGED), skipped=("Main is not here.",))
    assert exits.of_verify(damage, asked=True) == 1


def test_manifests_that_lie_are_named() -> None:
    fault = Trouble(place="Travel", path="ascmhl/0001.mhl", message="It was changed.")
    outcome = replace(verified(), manifest_faults=(fault,))
    assert "Travel: It was changed. ascmhl/0001.mhl" in day.flat(verify_lines(outcome, day.look()))
    assert exits.of_verify(outcome, asked=False) == 1


def test_places_are_listed_with_what_they_hold() -> None:
    told = day.flat(places_lines(day.place_reports(), day.look()))
    assert "Main (primary, drive, here) /media/me/id-main 2 copies, 8.40 MB" in told
    assert "1.50 TB free of 2.00 TB" in told
    assert "Off site (cloud, bucket, asked when it is used)" in told
    assert "A note." in told
    assert "There is no place yet." in day.flat(places_lines((), day.look()))


def test_a_lost_place_and_one_that_is_away_are_told_apart() -> None:
    lost = replace(day.place_reports()[0].place, standing=Standing.LOST)
    one = PlaceReport(place=lost, connected=False, files_held=0, bytes_held=0, free_bytes=None)
    assert "(primary, drive, lost)" in day.flat(places_lines((one,), day.look()))
    away = replace(one, place=replace(day.PLACES[0], spins=True))
    assert "(primary, spinning drive, not here)" in day.flat(places_lines((away,), day.look()))


@pytest.mark.parametrize("kind", PlaceKind)
def test_a_place_that_was_taken_in_says_what_it_is(kind: PlaceKind) -> None:
    taken = day.place(day.MAIN, Role.PRIMARY, kind)
    told = day.flat(added_lines(taken, day.look()))
    assert told.startswith(f"Taken in: Main as primary ({kind.value}).")
    assert f'"kind": "{kind.value}"' in as_text(added_json(taken))


def test_an_error_is_told_to_a_program_with_its_code() -> None:
    assert error_json(DriveGoneError("Travel", "/media/me/TRAVEL")) == {
        "version": 1,
        "error": {
            "code": "drive-gone",
            "message": "Travel is not there any more (/media/me/TRAVEL).",
            "advice": "Plug it in again and repeat the command: what is proven stays proven.",
            "exit_code": 3,
        },
    }
    faults = [ConfigFault(key="policy", value="7", wanted="a table")]
    told = error_json(ConfigError("c.toml", faults))["error"]
    assert isinstance(told, dict)
    assert told["faults"] == [
        {"file": "c.toml", "key": "policy", "value": "7", "wanted": "a table"}
    ]


@pytest.mark.parametrize(
    "value",
    [
        offload_json(offloaded(troubles=(day.REFUSED,))),
        mirror_json(mirrored(troubles=(day.REFUSED,))),
        upload_json([uploaded()]),
        verify_json(verified(checked(Finding.DAMAGED))),
        places_json(day.place_reports()),
    ],
    ids=["offload", "mirror", "upload", "verify", "places"],
)
def test_every_object_is_version_1_and_json_as_it_stands(value: dict[str, object]) -> None:
    assert value["version"] == 1
    assert json.loads(as_text(value)) == value


def test_what_was_moved_is_told_with_where_it_was_and_is() -> None:
    for lines in (
        verify_lines(replace(verified(), moved=(day.MOVED,)), day.look()),
        mirror_lines(replace(mirrored(files=0), moved=(day.MOVED,)), day.look()),
    ):
        text = day.flat(lines)
        assert "moved, and found again: 2 files" in text
        assert "Travel: 260612 Boatyard" in text
        assert "now at Boats" in text
        assert "2 files, 8.40 MB; 1 not proven" in text
        assert "\x1b" not in text
    for told in (
        verify_json(replace(verified(), moved=(day.MOVED,))),
        mirror_json(replace(mirrored(), moved=(day.MOVED,))),
    ):
        assert told["moved"] == [
            {
                "place": "Travel",
                "was": day.MOVED.was,
                "now": day.MOVED.now,
                "files": 2,
                "bytes": 8_400_000,
                "not_cold": 1,
            }
        ]
    one = replace(day.MOVED, not_cold=0)
    assert "not proven" not in day.flat(verify_lines(replace(verified(), moved=(one,)), day.look()))


HOSTILE_TROUBLE = Trouble(place="Tra\x1bvel", path=day.HOSTILE, message=day.HOSTILE)


@pytest.mark.parametrize(
    "lines",
    [
        lambda look: offload_lines(
            replace(
                offloaded(troubles=(HOSTILE_TROUBLE,) * 30, not_cold={"\x1bT": "\x07"}),
                folder=day.HOSTILE,
                warnings=(day.HOSTILE,) * 30,
                left_out=((day.HOSTILE, "\x1b"),) * 30,
            ),
            look,
        ),
        lambda look: mirror_lines(mirrored(waiting=(day.HOSTILE,)), look),
        lambda look: upload_lines([replace(uploaded(), bucket="\x1b[0m")], look),
        lambda look: verify_lines(verified(*[checked(Finding.UNKNOWN, day.HOSTILE)] * 30), look),
        lambda look: added_lines(replace(day.PLACES[0], name="\x1b"), look),
    ],
    ids=["offload", "mirror", "upload", "verify", "place"],
)
def test_no_report_steers_the_terminal(lines: Callable[[Look], list[Line]]) -> None:
    told = lines(day.look(40, unicode=False))
    assert [line.text for line in told if not line.text.isprintable()] == []
