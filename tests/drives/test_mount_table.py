"""The kernel's mount table as text. Format: proc(5), STANDARDS section 9.1."""

import pytest
from hypothesis import given, strategies as st

from backupkeeper.drives.mount_table import MountLine, parse_mountinfo

EXAMPLE = b"36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"


def test_the_example_of_the_manual_page_is_read() -> None:
    assert parse_mountinfo(EXAMPLE) == (
        MountLine(
            mount_id=36,
            device_number=(98, 0),
            root="/mnt1",
            point="/mnt2",
            read_only=False,
            fs_type="ext3",
            source="/dev/root",
        ),
    )


@pytest.mark.parametrize(
    "line",
    [
        b"1 2 8:1 / /m rw - ext4 /dev/sda1 rw",
        b"1 2 8:1 / /m rw shared:1 master:2 propagate_from:3 unheard:4 - ext4 /dev/sda1 rw",
        b"1 2 8:1 / /m rw,relatime unbindable - ext4 /dev/sda1 rw,data=ordered",
    ],
)
def test_any_number_of_optional_fields_is_passed_over(line: bytes) -> None:
    (mount,) = parse_mountinfo(line)
    assert (mount.point, mount.source, mount.read_only) == ("/m", "/dev/sda1", False)


@pytest.mark.parametrize(
    ("options", "super_options", "read_only"),
    [
        (b"rw", b"rw", False),
        (b"ro,relatime", b"rw", True),
        (b"rw,relatime", b"ro,errors=remount-ro", True),
        (b"rw,errors=remount-ro", b"rw,iroot,ro_something", False),
    ],
)
def test_read_only_may_be_said_in_either_field(
    options: bytes, super_options: bytes, read_only: bool
) -> None:
    (mount,) = parse_mountinfo(b"1 2 8:1 / /m " + options + b" - ext4 /dev/sda1 " + super_options)
    assert mount.read_only is read_only


@pytest.mark.parametrize(
    ("escaped", "plain"),
    [
        (rb"/media/My\040Card", "/media/My Card"),
        (rb"/a\011b\012c\134d", "/a\tb\nc\\d"),
        (rb"/a\043b", "/a#b"),
        (rb"/a\134040", "/a\\040"),
        (b"/caf\xc3\xa9", "/café"),
        (b"/\xff\\377", "/\udcff\udcff"),
        (rb"/a\9\04", r"/a\9\04"),
        (rb"/a\400", r"/a\400"),
    ],
)
def test_names_are_bytes_and_escapes_are_octal(escaped: bytes, plain: str) -> None:
    (mount,) = parse_mountinfo(b"1 2 8:1 / " + escaped + b" rw - ext4 /dev/sda1 rw")
    assert mount.point == plain


def test_a_hyphen_in_a_name_is_no_separator() -> None:
    (mount,) = parse_mountinfo(rb"1 2 8:1 / /a-\040-\040b rw - fuse.x-y x-y rw")
    assert (mount.point, mount.fs_type) == ("/a- - b", "fuse.x-y")


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"x",
        b"1 2 8:1 / /m rw ext4 /dev/sda1 rw",
        b"1 2 8:1 / /m - ext4 a rw",
        b"x 2 8:1 / /m rw - a b c",
        b"1 2 8 / /m rw - a b c",
        b"1 2 8:x / /m rw - a b c",
        b"1 2 8:1 / /m rw - a b",
        b"-1 2 8:1 / /m rw - a b c",
        b"1 2 " + b"9" * 5000 + b":1 / /m rw - a b c",
    ],
)
def test_an_odd_line_hides_no_other(line: bytes) -> None:
    assert len(parse_mountinfo(line + b"\n" + EXAMPLE)) == 1


@given(st.binary(max_size=200))
def test_no_bytes_make_it_fail(data: bytes) -> None:
    assert isinstance(parse_mountinfo(data), tuple)
