"""Names of rolls, shoots, sources and folders."""

import os
import random

import pytest
from blake3 import blake3
from hypothesis import given, strategies as st

from backupkeeper.core.errors import BrokenPromiseError, ListingError, UsageError
from backupkeeper.core.model import Blake3
from backupkeeper.core.naming import (
    next_roll_name,
    path_bytes,
    roll_folder,
    roll_id,
    validate_part,
    validate_place_name,
    validate_shoot,
    validate_template,
)

A = Blake3("a" * 64)
B = Blake3("b" * 64)
DIGESTS = st.binary(min_size=32, max_size=32).map(lambda raw: Blake3(raw.hex()))
PATHS = st.binary(min_size=1, max_size=12).map(lambda raw: raw.decode("utf-8", "surrogateescape"))
LAYOUT = "{shoot}/Originals/{source}/{roll}"


def test_a_rolls_id_is_blake3_over_exactly_the_bytes_that_are_documented() -> None:
    # Written out by hand from the docstring, without our code.
    told = b"backupkeeper roll 1\n"
    told += bytes([1, 0, 0, 0, 0, 0, 0, 0]) + b"A" + b"\xbb" * 32
    told += bytes([2, 0, 0, 0, 0, 0, 0, 0]) + b"\xff/" + b"\xaa" * 32
    assert roll_id([("\udcff/", A), ("A", B)]) == blake3(told).hexdigest()


def test_an_empty_roll_has_an_id_too() -> None:
    assert roll_id([]) == blake3(b"backupkeeper roll 1\n").hexdigest()


@given(st.dictionaries(PATHS, DIGESTS, max_size=8), st.integers())
def test_a_rolls_id_does_not_depend_on_the_order(files: dict[str, Blake3], seed: int) -> None:
    shuffled = list(files.items())
    random.Random(seed).shuffle(shuffled)
    assert roll_id(shuffled) == roll_id(files.items())


@given(st.dictionaries(PATHS, DIGESTS, max_size=4), st.dictionaries(PATHS, DIGESTS, max_size=4))
def test_two_rolls_have_one_id_only_if_they_are_the_same(
    one: dict[str, Blake3], other: dict[str, Blake3]
) -> None:
    assert (roll_id(one.items()) == roll_id(other.items())) == (one == other)


def test_where_a_path_ends_is_part_of_a_rolls_id() -> None:
    digest = bytes.fromhex(B).decode("utf-8", "surrogateescape")
    assert roll_id([("a", B), ("b", B)]) != roll_id([("a" + digest + "b", B)])


def test_a_roll_with_one_path_twice_is_refused() -> None:
    with pytest.raises(BrokenPromiseError, match="twice"):
        roll_id([("a", A), ("a", B)])


@pytest.mark.parametrize("digest", ["", "a" * 63, "A" * 64, " " + "a" * 64, "a" * 64 + "\n"])
def test_a_roll_with_something_else_than_a_digest_is_refused(digest: str) -> None:
    with pytest.raises(BrokenPromiseError, match="without a BLAKE3"):
        roll_id([("a", Blake3(digest))])


@pytest.mark.parametrize("text", ["a\ud800", "\udc7f", "\udcc3\udca9"])
def test_text_that_stands_for_no_bytes_is_no_path(text: str) -> None:
    with pytest.raises(ListingError, match="stands for no bytes"):
        path_bytes(text)


@given(st.binary(max_size=40))
def test_any_bytes_are_a_path_and_come_back(raw: bytes) -> None:
    assert path_bytes(os.fsdecode(raw)) == raw


@pytest.mark.parametrize("name", ["260612 Boatyard", "240229 Leap day", "000229 x", "260613 Café"])
def test_a_shoot_is_a_date_and_a_name(name: str) -> None:
    assert validate_shoot(name) == name


@pytest.mark.parametrize(
    "name",
    [
        "",
        "Boatyard",
        "260612",
        "260612 ",
        "260612Boatyard",
        "260631 June has thirty days",
        "250229 No leap day",
        "261301 No month",
        "260600 No day",
        "٢٦٠٦١٢ Other digits",
        "260612 ../../etc",
        "260612 a/b",
        "260612 a\nb",
        "260612 \x1b[31mred",
        "260612 a\u202eb",
        "260612 undecodable \udcff",
        "260612 a:b",
        "260612 dot.",
        "20260612 Boatyard",
    ],
)
def test_what_is_no_shoot_is_refused_without_repeating_it_raw(name: str) -> None:
    with pytest.raises(UsageError) as caught:
        validate_shoot(name)
    assert str(caught.value).isprintable()


def test_a_shoot_typed_decomposed_is_the_same_shoot() -> None:
    # e with acute: composed c3 a9, decomposed 65 cc 81 (STANDARDS section 8.5).
    assert validate_shoot("260612 Cafe\u0301") == validate_shoot("260612 Caf\u00e9")


@pytest.mark.parametrize("name", ["Wide", "Close", "Drone", "Recorder", "Roll 01", "Ton 2"])
def test_a_source_may_have_any_name_that_is_one_folder(name: str) -> None:
    assert validate_part(name) == name


@pytest.mark.parametrize(
    "name",
    [
        ".",
        "..",
        ".backupkeeper",
        "a/b",
        "a\\b",
        "a\x00b",
        "CON",
        "con.txt",
        "nul .x",
        "lpt9",
        "ascmhl",
        "ASCMHL",
        " a",
        "a ",
        "a.",
        "é" * 128,
        "\u200b",
        "\ue000\U0010ffff",
    ],
)
def test_a_name_that_is_no_folder_somewhere_is_refused(name: str) -> None:
    with pytest.raises(UsageError, match=r"The source .* can't be used"):
        validate_part(name, "source")


def test_a_name_may_be_as_long_as_the_shortest_file_system_allows() -> None:
    assert validate_part("é" * 127 + "x") == "é" * 127 + "x"


def test_a_rolls_folder_follows_the_template() -> None:
    folder = roll_folder(LAYOUT, "260612 Boatyard", "Wide", "Roll 01")
    assert folder == "260612 Boatyard/Originals/Wide/Roll 01"


@pytest.mark.parametrize(
    "template",
    [
        "",
        "{shoot}",
        "{shoot}/{source}/{roll}/{roll}",
        "{shoot}{source}/{roll}",
        "/{shoot}/{source}/{roll}",
        "{shoot}/../{source}/{roll}",
        "{shoot}/{source}/{roll}/",
        "{shoot}/{source!r}/{roll}",
        "{shoot:>20}/{source}/{roll}",
        "{shoot.__class__}/{source}/{roll}",
        "{shoot[0]}/{source}/{roll}",
        "{0}/{source}/{roll}",
        "{shoot}/{source}/{roll",
        "{shoot}/{source}/{roll}/a:b",
        ".backupkeeper/{shoot}/{source}/{roll}",
    ],
)
def test_a_template_that_leads_elsewhere_or_mixes_rolls_is_refused(template: str) -> None:
    with pytest.raises(UsageError):
        validate_template(template)


def test_literal_braces_in_a_template_are_kept() -> None:
    assert roll_folder("{{a}}/{shoot}/{source}/{roll}", "260612 B", "W", "R") == "{a}/260612 B/W/R"


def test_names_with_braces_are_not_filled_in_again() -> None:
    assert roll_folder(LAYOUT, "260612 B", "{roll}", "R") == "260612 B/Originals/{roll}/R"


@pytest.mark.parametrize(
    ("existing", "expected"),
    [
        ([], "Roll 01"),
        (["Roll 01", "roll 02"], "Roll 03"),
        (["Roll 07"], "Roll 08"),
        (["Roll 99"], "Roll 100"),
        (["Boat", "Roll", "Roll x", "Roll 01 b", "Roll ٣", "Roll " + "9" * 5000], "Roll 01"),
    ],
)
def test_the_next_roll_is_numbered_after_all_others(existing: list[str], expected: str) -> None:
    assert next_roll_name(existing) == expected


@pytest.mark.parametrize("name", ["Main drive", "Tasche 2", "x"])
def test_a_place_may_be_called_almost_anything(name: str) -> None:
    assert validate_place_name(name) == name


@pytest.mark.parametrize(
    "name", ["", " ", " a", "a\t", "a\x1b[2Jb", "x" * 101, "\udc80", "a\u2028b"]
)
def test_a_place_has_no_name_that_spoils_a_report(name: str) -> None:
    with pytest.raises(UsageError) as caught:
        validate_place_name(name)
    assert str(caught.value).isprintable()
