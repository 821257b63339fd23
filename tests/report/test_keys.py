"""The keys in words: what losing them means is said every time, and who showed what."""

from dataclasses import replace

from backupkeeper.core.keys import BucketSecrecy, KeysReport
from backupkeeper.report.keys import keys_json, keys_lines
from backupkeeper.report.lines import Look
from tests.catalog.made import NOW

ONE, TWO = "age1" + "q" * 58, "age1" + "p" * 58
OFF_SITE = BucketSecrecy(
    name="Off site", encrypted_files=3, readable_files=2, readable_bytes=5_000_000
)
ASKED = KeysReport(recipients=(ONE,), hide_names=False, identity_file="", buckets=(OFF_SITE,))
SHOWN = replace(ASKED, recipients=(ONE, TWO), hide_names=True, shown_at=NOW, shown=(TWO,),
                where="in the safe\x1b[2J")  # fmt: skip


def said(report: KeysReport) -> str:
    return " ".join(" ".join(line.text for line in keys_lines(report, Look())).split())


def test_before_a_key_was_shown() -> None:
    told = said(ASKED)
    assert "is encrypted for 1 key:" in told
    assert "loses all that is encrypted" in told
    assert "A second key, kept elsewhere" in told
    assert "Nobody has shown yet that they hold a key: until then nothing is sent." in told
    assert "names of files and folders: readable by the store" in told.lower()
    assert "2 files, 5.00 MB, stand there as they are, and the store can read them" in told
    assert not keys_json(ASKED)["may_send"]


def test_after_a_key_was_shown() -> None:
    told = said(SHOWN)
    assert f"{TWO} (was shown)" in told
    assert f"{ONE} (was shown)" not in told
    assert "A second key" not in told
    assert "Kept: in the safe" in told
    assert "\x1b" not in told
    assert "hidden" in told
    assert keys_json(SHOWN)["where"] == SHOWN.where


def test_where_nothing_is_encrypted_nothing_alarms() -> None:
    plain = replace(ASKED, recipients=(), buckets=(replace(OFF_SITE, encrypted_files=0),))
    assert said(plain) == (
        "Nothing is encrypted: [upload] encrypt_to is empty. Off site: 0 encrypted files."
    )
    assert "the store can read them" in said(replace(ASKED, recipients=()))
