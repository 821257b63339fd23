"""Bad input, typed: one clear sentence, an honest state, the right exit code, and nothing lost.

Exit codes: DESIGN section 9. ``typed`` itself fails on a traceback, on anything unforeseen and on a
control character.
"""

import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.stories.typed import Said, judged, offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, clip, roll_folder, tree

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "MISC/INDEX.DAT": b"",
}
CHAIN = "ascmhl_chain.xml"
SECOND = "DCIM/100BOATY/BOAT0002.MP4"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path)


def told(said: Said, code: int, *words: str) -> None:
    """The exit code, and a sentence that says it."""
    flat = " ".join(said.all.split())
    assert said.code == code, flat
    for word in words:
        assert word in flat, flat


def ends_well(yard: Yard, card: Path, *drives: Path) -> None:
    """The next proper run completes the job."""
    told(offloaded(yard, card), 0)
    assert judged(yard, card) == ("yes", set())
    for drive in drives:
        assert tree(roll_folder(drive)) == CARD


# The card.


def test_a_missing_card(yard: Yard) -> None:
    drives = yard.drives()
    nowhere = yard.root / "nowhere"
    told(offloaded(yard, nowhere), 2, f"There is no card at {nowhere}")
    told(typed(yard, "may-wipe", str(nowhere)), 2, "There is no card")
    ends_well(yard, yard.card("nowhere", CARD), *drives)


def test_a_path_without_a_name_is_not_the_folder_one_is_in(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`restore … --to "$NEVER_SET"`."""
    drives = yard.drives()
    card = yard.card("card", CARD)
    monkeypatch.chdir(card)
    told(typed(yard, "offload", "", "--shoot", SHOOT, "--source", "Wide"), 2, "no name")
    ends_well(yard, card, *drives)
    told(typed(yard, "may-wipe", ""), 2, "no name")
    (yard.root / "empty").mkdir()
    monkeypatch.chdir(yard.root / "empty")
    told(typed(yard, "restore", SHOOT, "--to", ""), 2, "no name")
    told(typed(yard, "drill", "--to", "", "--from", "Main"), 2, "no name")
    told(typed(yard, "place", "add", "", "--role", "primary", "--name", "Here", "--folder"), 2)
    assert list((yard.root / "empty").iterdir()) == []


def test_a_card_that_is_a_file(yard: Yard) -> None:
    yard.drives()
    (yard.root / "card").write_bytes(b"x")
    told(offloaded(yard, yard.root / "card"), 2, "no card")
    told(typed(yard, "may-wipe", str(yard.root / "card")), 2, "no card")


def test_an_empty_card(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("card", {})
    said = offloaded(yard, card)
    assert said.code in {0, 1}
    assert not (main / SHOOT).exists()
    assert judged(yard, card) == ("no", {"nothing-to-judge"})
    ends_well(yard, yard.card("card", CARD), main, travel)


def test_a_card_with_nothing_but_litter(yard: Yard) -> None:
    yard.drives()
    card = yard.card("card", {".DS_Store": b"x", "System Volume Information/a.dat": b"x"})
    offloaded(yard, card)
    assert judged(yard, card) == ("no", {"nothing-to-judge"})


@pytest.mark.slow
@pytest.mark.real("strace")
def test_a_file_that_can_not_be_read(yard: Yard) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    words = ["offload", str(card), "--shoot", SHOOT, "--source", "Wide"]
    done = broken_reading(yard, card / SECOND, *words)
    assert done.returncode == 1
    assert SECOND in done.stdout
    assert "EIO" in done.stdout
    assert set(tree(roll_folder(main))) == set(tree(roll_folder(travel))) == {*CARD} - {SECOND}
    assert judged(yard, card)[0] == "no"
    asked = broken_reading(yard, card / SECOND, "may-wipe", str(card))
    assert (asked.returncode, SECOND in asked.stdout) == (1, True)
    told(offloaded(yard, card), 0)  # the reader was cleaned
    assert judged(yard, card) == ("yes", set())
    assert broken_reading(yard, card / SECOND, "may-wipe", str(card)).returncode == 1
    copy = roll_folder(main) / "DCIM/100BOATY/BOAT0001.MP4"
    spoiled = broken_reading(yard, copy, "verify", "Main")
    assert (spoiled.returncode, "BOAT0001.MP4" in spoiled.stdout) == (1, True)
    assert judged(yard, card)[0] == "no"


def broken_reading(yard: Yard, path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Every read of one file fails as on a bad sector."""
    calls = "preadv,preadv2,pread64,read"
    command = [sys.executable, "-m", "backupkeeper", "--config", str(yard.root / "config.toml")]
    trap = ["strace", "-f", "-qq", "-o", "/dev/null", "-P", str(path), "-e", f"trace={calls}"]
    done = subprocess.run(
        [*trap, "-e", f"inject={calls}:error=EIO", *command, *words],
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "COLUMNS": "400"},
    )
    assert "Traceback" not in done.stdout + done.stderr
    assert "should not happen" not in done.stderr
    return done


@pytest.mark.parametrize("kind", ["fifo", "socket", "link out", "link in", "loop", "device"])
def test_what_is_no_plain_file_is_told_and_makes_it_a_no(yard: Yard, kind: str) -> None:
    drives = yard.drives()
    card = yard.card("card", CARD)
    odd = card / "odd"
    if kind == "fifo":
        os.mkfifo(odd)
    elif kind == "socket":
        here = os.getcwd()
        os.chdir(card)  # a socket's address is short
        with socket.socket(socket.AF_UNIX) as server:
            server.bind("odd")
        os.chdir(here)
    elif kind == "device":
        if os.geteuid() != 0:
            pytest.skip("needs root to make a device node")
        os.mknod(odd, 0o020600, os.makedev(1, 5))  # an endless one
    else:
        odd.symlink_to({"link out": "/etc/passwd", "link in": SECOND, "loop": "odd"}[kind])
    said = offloaded(yard, card)
    told(said, 1, "odd")
    for drive in drives:
        assert not os.path.lexists(roll_folder(drive) / "odd")
    assert judged(yard, card) == ("no", {"not-a-file"})
    odd.unlink()
    ends_well(yard, card, *drives)


def test_odd_names_are_told_without_their_control_characters(yard: Yard) -> None:
    yard.drives()
    names = ["new\nline", "\x1b]0;title\x07", "\x1b[2J", "bytes\udcff", "x" * 255, "\u202egpj.exe"]
    card = yard.card("card", {f"{name}": name.encode(errors="surrogateescape") for name in names})
    for name in names:
        if len(name) < 200:
            (card / f"{name}.link").symlink_to("/")
    told(offloaded(yard, card), 1, "new")
    said = typed(yard, "may-wipe", str(card))
    told(said, 1)
    assert "\u202e" not in said.all
    for words in (["gaps"], ["verify"], ["place", "list"], ["mirror"]):
        assert "\u202e" not in typed(yard, *words).all


@pytest.mark.parametrize("option", ["--shoot", "--source", "--roll"])
@pytest.mark.parametrize("name", ["", "..", "a/b", "../../x", "\x1b[31m", "new\nline", "x" * 300])
def test_names_that_can_not_be_used(yard: Yard, option: str, name: str) -> None:
    main, _ = yard.drives()
    card = yard.card("card", CARD)
    words = {"--shoot": SHOOT, "--source": "Wide", "--roll": "Roll 01", option: name}
    said = typed(yard, "offload", str(card), *(part for pair in words.items() for part in pair))
    told(said, 2)
    assert [path.name for path in main.iterdir()] == [".backupkeeper"]


# The drives.


def test_a_drive_that_is_a_place_already_or_not_there(yard: Yard) -> None:
    main, _ = yard.drives()
    add = ["--role", "primary", "--name", "New", "--folder"]
    told(typed(yard, "place", "add", str(yard.root / "none"), *add), 2, "nothing at")
    told(typed(yard, "place", "add", str(main), *add), 2, "already a place")
    (yard.root / "file").write_bytes(b"")
    told(typed(yard, "place", "add", str(yard.root / "file"), *add), 2)
    told(typed(yard, "place", "add", str(yard.root), *add[:-1]), 2, "--folder")


LIES = {
    "junk": b"\0\xff junk",
    "no object": b"[1, 2]",
    "deep": b"[" * 15_000,
    "huge": b" " * 5_000_000 + b"{}",
    "empty": b"",
    "later version": b'{"version": 9}',
    "no uuid": b'{"version":1,"id":"../../etc","name":"Main","role":"primary","created":"2026"}',
    "escape": b'{"version":1,"id":"11111111-1111-1111-1111-111111111111","name":"\\u001b[31m",'
    b'"role":"primary","created":"2026-06-12T00:00:00Z"}',
}


@pytest.mark.parametrize("kind", [*LIES, "foreign", "fifo", "link", "folder", "taken away"])
def test_a_marker_that_lies(yard: Yard, kind: str) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    marker = main / ".backupkeeper/place.json"
    true = marker.read_bytes()
    marker.unlink()
    if kind in LIES:
        marker.write_bytes(LIES[kind])
    elif kind == "foreign":
        marker.write_bytes((travel / ".backupkeeper/place.json").read_bytes())
    elif kind == "fifo":
        os.mkfifo(marker)
    elif kind == "link":
        (yard.root / "true.json").write_bytes(true)
        marker.symlink_to(yard.root / "true.json")
    elif kind == "folder":
        marker.mkdir()
    said = offloaded(yard, card)
    assert not (main / SHOOT).exists()
    assert tree(roll_folder(travel)) == CARD
    assert said.code in {0, 1}
    assert judged(yard, card) == ("no", {"no-copy"})
    told(typed(yard, "verify", "Main"), 3, "Main")
    told(typed(yard, "place", "list"), 0, "Main")
    told(typed(yard, "mirror"), 1, "Main")
    add = ["--role", "primary", "--name", "Main 2", "--folder"]
    if kind != "taken away":
        assert typed(yard, "place", "add", str(main), *add).code in {2, 3}
    if kind == "folder":
        marker.rmdir()
    else:
        marker.unlink(missing_ok=True)
    marker.write_bytes(true)
    ends_well(yard, card, main, travel)


# Manifests.


def altered(folder: Path) -> None:
    (manifest,) = folder.glob("*.mhl")
    manifest.write_bytes(manifest.read_bytes().replace(b"BOAT0001", b"BOAT0003"))


def extra(folder: Path) -> None:
    (manifest,) = folder.glob("*.mhl")
    data = manifest.read_bytes().replace(b"BOAT0001", b"BOAT0009")
    (folder / f"0002_{manifest.name[5:]}").write_bytes(data)


def gone(folder: Path) -> None:
    (manifest,) = folder.glob("*.mhl")
    manifest.unlink()


def without_chain(folder: Path) -> None:
    altered(folder)
    (folder / CHAIN).unlink()


def junk_chain(folder: Path) -> None:
    (folder / CHAIN).write_bytes(b"<junk")


def expanding_chain(folder: Path) -> None:
    (folder / CHAIN).write_bytes(
        b'<!DOCTYPE a [<!ENTITY b "bbbbbbbb"><!ENTITY c "&b;&b;&b;&b;">]><a>&c;&c;</a>'
    )


def chain_is_a_fifo(folder: Path) -> None:
    (folder / CHAIN).unlink()
    os.mkfifo(folder / CHAIN)


def chain_is_a_folder(folder: Path) -> None:
    (folder / CHAIN).unlink()
    (folder / CHAIN).mkdir()


LIARS = [altered, extra, gone, without_chain, junk_chain, expanding_chain]
LIARS += [chain_is_a_fifo, chain_is_a_folder]


@pytest.mark.parametrize("lie", LIARS)
def test_a_manifest_that_lies_is_told_and_left_as_it_is(
    yard: Yard, lie: Callable[[Path], None]
) -> None:
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    told(offloaded(yard, card), 0)
    folder = roll_folder(main) / "ascmhl"
    lie(folder)
    before = {path.name: path.is_file() and path.read_bytes() for path in folder.iterdir()}
    told(typed(yard, "verify", "Main"), 1, "ascmhl")
    assert {p.name: p.is_file() and p.read_bytes() for p in folder.iterdir()} == before
    # The verdict rests on the copies, which are well, and not on what a manifest says.
    assert judged(yard, card) == ("yes", set())
    told(typed(yard, "verify", "Travel"), 0)
    assert tree(roll_folder(main)) == tree(roll_folder(travel)) == CARD
