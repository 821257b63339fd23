"""Walks of real cards: what kernels and FUSE give for odd entries, not what we make up."""

import os
import socket
import stat
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from backupkeeper.cards.walk import list_card
from backupkeeper.core.fitting import fit_names
from backupkeeper.core.naming import EXFAT
from backupkeeper.system.files import RealFiles
from tests.real.plain_loop import image, mounted


@pytest.fixture
def ext4_card(tmp_path: Path) -> Iterator[Path]:
    point = tmp_path / "ext4"
    point.mkdir()
    with mounted(image(tmp_path / "ext4.img", "ext4"), "ext4", point):
        yield point


@pytest.fixture
def exfat_card(tmp_path: Path) -> Iterator[Path]:
    point = tmp_path / "exfat"
    point.mkdir()
    with mounted(image(tmp_path / "exfat.img", "exfat"), "exfat", point):
        yield point


@pytest.mark.real("ext4")
def test_every_kind_of_entry_is_told_for_what_it_is(ext4_card: Path, tmp_path: Path) -> None:
    (tmp_path / "outside.mov").write_bytes(b"outside")
    (ext4_card / "clip.mov").write_bytes(b"inside")
    (ext4_card / "leads-out").symlink_to(tmp_path / "outside.mov")
    (ext4_card / "leads-out-as-folder").symlink_to(tmp_path)
    (ext4_card / "leads-in").symlink_to("clip.mov")
    (ext4_card / "leads-nowhere").symlink_to("nothing")
    (ext4_card / "leads-to-itself").symlink_to("leads-to-itself")
    os.mkfifo(ext4_card / "fifo")
    os.mknod(ext4_card / "device", stat.S_IFCHR | 0o600, os.makedev(1, 3))
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(ext4_card / "socket"))
        listing = list_card(RealFiles(), str(ext4_card))
    assert [(entry.path, entry.size) for entry in listing.files] == [("clip.mov", 6)]
    told = dict(listing.specials)
    assert (told["fifo"], told["device"], told["socket"]) == ("named pipe", "device node", "socket")
    links = {path for path, what in told.items() if what.startswith("symbolic link")}
    assert links == {
        "leads-out",
        "leads-out-as-folder",
        "leads-in",
        "leads-nowhere",
        "leads-to-itself",
    }
    assert listing.left_out == (("lost+found", "folder for rescued files, empty"),)
    assert listing.unreadable == ()


@pytest.mark.real("ext4")
def test_names_of_any_bytes_come_back_byte_for_byte(ext4_card: Path) -> None:
    names = [b"line\nbreak.mov", b"\x1b[31mred\x1b[0m.mov", b"\xff\xfe undecodable", b"x" * 255]
    names += [b"caf\xc3\xa9", b"cafe\xcc\x81", b" ", b"-rf", b"a:b*c?", b"clip.mov", b"CLIP.MOV"]
    for name in names:
        with open(os.fsencode(ext4_card) + b"/" + name, "wb") as file:
            file.write(name)
    listing = list_card(RealFiles(), str(ext4_card))
    assert [os.fsencode(entry.path) for entry in listing.files] == sorted(names)
    assert [entry.size for entry in listing.files] == [len(name) for name in sorted(names)]


@pytest.mark.real("ext4")
def test_a_deep_card_is_walked_to_its_end(ext4_card: Path) -> None:
    deep = "/".join(["d"] * 600)
    os.makedirs(ext4_card / deep)
    (ext4_card / deep / "clip.mov").write_bytes(b"deep")
    listing = list_card(RealFiles(), str(ext4_card))
    assert [entry.path for entry in listing.files] == [f"{deep}/clip.mov"]


@pytest.mark.real("ext4")
def test_what_lies_deeper_than_a_path_can_say_is_unreadable_not_passed_over(
    ext4_card: Path,
) -> None:
    here = os.open(ext4_card, os.O_RDONLY)
    try:
        for _ in range(20):
            os.mkdir("d" * 250, dir_fd=here)
            below = os.open("d" * 250, os.O_RDONLY, dir_fd=here)
            os.close(here)
            here = below
        os.close(os.open("clip.mov", os.O_CREAT | os.O_WRONLY, dir_fd=here))
    finally:
        os.close(here)
    listing = list_card(RealFiles(), str(ext4_card))
    assert listing.files == ()
    assert [why for _, why in listing.unreadable] == ["can't be read (ENAMETOOLONG)"]


@pytest.mark.real("ext4", "exfat")
def test_another_card_mounted_on_a_card_is_not_walked(ext4_card: Path, tmp_path: Path) -> None:
    inner = ext4_card / "inner"
    inner.mkdir()
    with mounted(image(tmp_path / "other.img", "exfat"), "exfat", inner):
        (inner / "other.mov").write_bytes(b"x")
        listing = list_card(RealFiles(), str(ext4_card))
    assert listing.files == ()
    assert [path for path, _ in listing.specials] == ["inner"]


@pytest.mark.real("exfat")
def test_an_exfat_card_with_camera_folders_is_listed(exfat_card: Path) -> None:
    for path in ("DCIM/100BOATY/WIDE0001.MOV", "DCIM/101BOATY/WIDE0001.MOV", "PRIVATE/INDEX.XML"):
        (exfat_card / path).parent.mkdir(parents=True, exist_ok=True)
        (exfat_card / path).write_bytes(path.encode())
    (exfat_card / "DCIM/102BOATY").mkdir()
    (exfat_card / "System Volume Information").mkdir()
    (exfat_card / "System Volume Information/WPSettings.dat").write_bytes(b"x")
    listing = list_card(RealFiles(), str(exfat_card))
    assert [entry.path for entry in listing.files] == [
        "DCIM/100BOATY/WIDE0001.MOV",
        "DCIM/101BOATY/WIDE0001.MOV",
        "PRIVATE/INDEX.XML",
    ]
    assert listing.empty_folders == ("DCIM/102BOATY",)
    assert [path for path, _ in listing.left_out] == ["System Volume Information"]
    assert listing.specials == ()
    assert listing.unreadable == ()
    assert listing.warnings == ()


@pytest.mark.real("exfat")
def test_every_fitted_name_is_one_that_exfat_really_holds(exfat_card: Path) -> None:
    # SEEN section 2: ":" is ENOENT, undecodable bytes EILSEQ, names that differ in case one file.
    names = [
        "a:b",
        "a*b",
        'a"b',
        "a<b>",
        "a?b",
        "a|b",
        "a\\b",
        "a\nb",
        "\x01",
        "\udcff",
        "dot.",
        "sp ",
    ]
    names += [
        "CLIP.MOV",
        "clip.mov",
        "Clip.mov",
        "é",
        "e\u0301",
        "É",
        "ß",
        "SS",
        "😀" * 127,
        "x" * 255,
    ]
    names += [
        "😀" * 128,
        "y" * 254 + ":",
        "X" * 255,
        "a%3Ab",
        "%",
        "%~2",
        "\u017f",
        "s",
        "Ω",
        "ω",
        "İ",
        "i",
    ]
    fitted = fit_names(names, EXFAT)
    for fit in fitted.values():
        with (exfat_card / fit).open("xb") as file:
            file.write(fit.encode())
    assert sorted(os.listdir(exfat_card)) == sorted(fitted.values())
    for fit in fitted.values():
        assert (exfat_card / fit).read_bytes() == fit.encode()


@pytest.mark.real("ext4")
def test_an_ordinary_person_is_told_what_they_may_not_look_into(tmp_path: Path) -> None:
    # pytest's own folders are closed to others, so the card is mounted beside them.
    with TemporaryDirectory() as folder:
        point = Path(folder)
        with mounted(image(tmp_path / "card.img", "ext4"), "ext4", point):
            for path in ("open/clip.mov", "closed/clip.mov", "listed/clip.mov"):
                (point / path).parent.mkdir()
                (point / path).write_bytes(b"x")
            (point / "closed").chmod(0o700)
            (point / "listed").chmod(0o744)
            point.chmod(0o755)
            os.seteuid(65534)
            try:
                listing = list_card(RealFiles(), str(point))
            finally:
                os.seteuid(0)
        assert [entry.path for entry in listing.files] == ["open/clip.mov"]
        assert listing.unreadable == (
            ("closed", "can't be read (EACCES)"),
            ("listed/clip.mov", "can't be read (EACCES)"),
            ("lost+found", "can't be read (EACCES)"),
        )
