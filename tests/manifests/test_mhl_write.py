"""What a manifest says, byte for byte, and what it refuses to say."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.errors import UsageError
from backupkeeper.manifests.mhl_model import Action
from backupkeeper.manifests.mhl_read import read_manifest
from backupkeeper.manifests.mhl_write import build_manifest, manifest_name
from backupkeeper.manifests.names import percent, unpercent
from backupkeeper.manifests.xml_text import instant, instant_ns, read_instant, read_instant_ns
from tests.manifests.made_history import ROLL, START, made_file, made_generation
from tests.manifests.names_of_files import PATHS


def test_a_manifest_is_named_by_number_folder_and_start_in_utc() -> None:
    # The check value of STANDARDS section 1.3: 12:08:01 in UTC-7 is 190801Z.
    pacific = datetime(2019, 1, 7, 12, 8, 1, tzinfo=timezone(timedelta(hours=-7)))
    assert manifest_name(1, "A002R2EC", pacific) == "0001_A002R2EC_2019-01-07_190801Z.mhl"
    assert manifest_name(12345, "x", pacific).startswith("12345_x_")


def test_a_manifest_name_fits_a_file_system_and_xml() -> None:
    name = manifest_name(1, "é" * 200, START)
    assert 253 <= len(name.encode()) <= 255
    assert name.endswith("_2026-06-12_174501Z.mhl")
    assert "_roll%FF_" in manifest_name(1, "roll\udcff", START)


def test_a_path_stands_there_with_all_its_white_space() -> None:
    data, apart = build_manifest(made_generation({" a\t\n\r<&>  b ": b""}))
    assert b"> a\t\n&#13;&lt;&amp;&gt;  b </path>" in data
    assert apart == ()


def test_blake3_stands_under_metadata_in_a_namespace_of_our_own() -> None:
    data, _ = build_manifest(made_generation({"a": b""}))
    assert b'<metadata><blake3 xmlns="urn:backupkeeper:manifest:1">af1349b9' in data
    data, _ = build_manifest(made_generation([made_file("a", blake3=None)]))
    assert b"metadata" not in data


def test_a_manifest_of_nothing_but_odd_names_still_holds_them_all() -> None:
    data, apart = build_manifest(made_generation({"\x01": b"1"}))
    assert apart == ("\x01",)
    assert b"<hashes>" not in data
    assert read_manifest(data).files[0].path == "\x01"


def test_folders_above_what_failed_or_stands_apart_get_no_hashes() -> None:
    files = [
        made_file("bad/a", action=Action.FAILED),
        made_file("odd/\x01"),
        made_file("good/a"),
        made_file("litter/.DS_Store"),
    ]
    manifest = read_manifest(build_manifest(made_generation(files, folders=("empty",)))[0])
    assert [folder.path for folder in manifest.folders] == ["empty", "good", "litter"]
    assert manifest.root is None


def test_an_empty_card_folder_has_the_hash_of_zero_bytes() -> None:
    manifest = read_manifest(build_manifest(made_generation(folders=("empty",)))[0])
    (folder,) = manifest.folders
    # XXH128 of nothing: STANDARDS section 6.
    assert {found.content for found in folder.hashes.values()} == {
        "99aa06d3014798d86001c324468d497f"
    }


def test_a_manifest_of_a_part_has_no_directory_hashes() -> None:
    manifest = read_manifest(build_manifest(made_generation(ROLL, whole=False))[0])
    assert (manifest.folders, manifest.root) == ((), None)


@pytest.mark.parametrize(
    ("files", "more"),
    [
        pytest.param([], {}, id="nothing"),
        pytest.param([made_file("a"), made_file("a")], {}, id="a path twice"),
        pytest.param([made_file("a")], {"folders": ("a",)}, id="a file that is a folder"),
        pytest.param([made_file("/a")], {}, id="an absolute path"),
        pytest.param([made_file("a/../b")], {}, id="a path upward"),
        pytest.param([made_file("\ud800")], {}, id="a name of nothing"),
        pytest.param([made_file("a", hashes={})], {}, id="no hash"),
        pytest.param([made_file("a", hashes={"sha256": "0" * 64})], {}, id="no such format"),
        pytest.param([made_file("a", hashes={"md5": "0" * 31})], {}, id="too short"),
        pytest.param([made_file("a", hashes={"md5": "A" * 32})], {}, id="upper case"),
        pytest.param([made_file("a", blake3="0")], {}, id="no BLAKE3"),
    ],
)
def test_what_can_not_be_said_rightly_is_not_said(files: list[Any], more: dict[str, Any]) -> None:
    with pytest.raises(UsageError):
        build_manifest(made_generation(files, **more))


@given(PATHS)
def test_percent_encoding_gives_every_name_back(path: str) -> None:
    assert percent(path).isascii()
    assert unpercent(percent(path)) == path


@pytest.mark.parametrize("text", ["%", "%4", "%zz", "\x01", "é"])
def test_what_is_no_percent_encoding_is_told(text: str) -> None:
    assert unpercent(text) is None
    wrong = f'<apart xmlns="urn:backupkeeper:manifest:1"><file path="{text}"/></apart>'
    if text != "\x01":
        data, _ = build_manifest(made_generation(ROLL))
        data = data.replace(b"</hashlist>", f"<metadata>{wrong}</metadata></hashlist>".encode())
        assert len(read_manifest(data).faults) == 1


@given(st.integers(-62_135_596_800 * 10**9, 253_402_300_799 * 10**9))
def test_a_time_comes_back_to_the_nanosecond(ns: int) -> None:
    text = instant_ns(ns)
    assert text is not None
    assert read_instant_ns(text) == ns


@given(st.datetimes(timezones=st.just(UTC)))
def test_an_instant_comes_back(at: datetime) -> None:
    assert read_instant(instant(at)) == at


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1970-01-01T00:00:01Z", 1),
        (" 1970-01-01T02:00:00+02:00\n", 0),
        ("1969-12-31T19:00:00-05:00", 0),
        ("1970-01-01T00:00:00", None),
        ("1970-02-30T00:00:00Z", None),
        ("yesterday", None),
    ],
)
def test_times_with_any_offset_are_read_and_others_are_not(text: str, seconds: int | None) -> None:
    assert read_instant_ns(text) == (None if seconds is None else seconds * 10**9)


def test_a_time_that_no_calendar_has_is_left_out() -> None:
    assert instant_ns(10**30) is None
    assert instant_ns(None) is None
    assert read_instant("0001-01-01T00:00:00+10:00") is None
