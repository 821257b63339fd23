"""A drive with years of footage on it, from before this program: ``adopt`` as a person types it."""

import contextlib
import hashlib
import os
from pathlib import Path

import pytest
import xxhash
from blake3 import blake3

from backupkeeper.core.adopting import AdoptWish
from backupkeeper.core.model import Role
from backupkeeper.ports.files import Stat
from backupkeeper.system.files import RealFiles
from tests.stories.scoped_yard import ScopedYard
from tests.stories.test_adopt import StopsAt, stats
from tests.stories.typed import Said, typed
from tests.stories.yard import clip, tree

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "NOTE.TXT": b"x\n",
}
SOUND = {"0001.WAV": clip(3), "0002.WAV": clip(4)}
OLD = 1_781_000_000


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    return made


def put(yard: ScopedYard, folder: str, files: dict[str, bytes], drive: str = "Main") -> Path:
    where = yard.root / drive / folder
    for path, data in files.items():
        (where / path).parent.mkdir(parents=True, exist_ok=True)
        (where / path).write_bytes(data)
        os.utime(where / path, (OLD, OLD))
    return where


def md5_list(files: dict[str, bytes], below: str = "") -> bytes:
    return "".join(
        f"{hashlib.md5(data).hexdigest()}  {below}{path}\n" for path, data in files.items()
    ).encode()


def adopt(yard: ScopedYard, *words: str, place: str = "Main") -> Said:
    return typed(yard, "adopt", place, *words, "--json")


def test_the_first_look_asks_for_each_file_once(
    yard: ScopedYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(yard, "Jobs/2026-06-12 Boatyard/Wide/Card 1", CARD)
    asked = []
    stat = RealFiles.stat

    def counted(self: RealFiles, path: str) -> Stat:
        asked.append(path)
        return stat(self, path)

    monkeypatch.setattr(RealFiles, "stat", counted)
    assert adopt(yard, "--dry-run").code == 0
    clips = [path for path in asked if path.endswith(".MP4")]
    assert len(clips) == len(set(clips)) == 2


def test_the_first_look_says_what_is_what_and_changes_nothing(yard: ScopedYard) -> None:
    put(yard, "Jobs/2026-06-12 Boatyard/Wide/Card 1", CARD)
    put(yard, "Jobs/2026-06-12 Boatyard/Footage/Recorder/Tape 1", SOUND)
    put(yard, "Jobs/2026-06-12 Boatyard/Edit", {"cut.mov": clip(9), "cut.xml": b"<x/>"})
    put(yard, "Jobs/2026-06-13 Boatyard/Drone", {"a.mp4": clip(5)})
    put(yard, "Old stuff/Card 7", CARD)
    put(yard, "Papers", {"invoice.txt": b"1 day\n"})
    put(yard, "Jobs/2026-06-12 Boatyard", {"sums.md5": md5_list(SOUND, "Footage/Recorder/Tape 1/")})
    before = stats(yard.root / "Main")
    said = adopt(yard, "--dry-run")
    found = said.json
    assert said.code == 1  # something has to be said by a person
    assert [(r["folder"], r["shoot"], r["source"], r["roll"]) for r in found["rolls"]] == [
        (
            "Jobs/2026-06-12 Boatyard/Footage/Recorder/Tape 1",
            "260612 Boatyard",
            "Recorder",
            "Tape 1",
        ),
        ("Jobs/2026-06-12 Boatyard/Wide/Card 1", "260612 Boatyard", "Wide", "Card 1"),
    ]
    assert [r["files"] for r in found["rolls"]] == [2, 3]
    assert found["rolls"][1]["bytes"] == sum(map(len, CARD.values()))
    assert found["rolls"][0]["old_hashes"] == [
        {"kind": "checksum list", "path": "Jobs/2026-06-12 Boatyard/sums.md5"}
    ]
    assert [(one["folder"], one["options"]) for one in found["unplaced"]] == [
        ("Jobs/2026-06-13 Boatyard/Drone", ["--layout", "*/{shoot}/{roll}", "--source", "NAME"]),
        (
            "Old stuff/Card 7",
            ["--layout", "{source}/{roll}", "--shoot", "YYMMDD NAME"],
        ),
    ]
    assert [one["folder"] for one in found["left_out"]] == ["Jobs/2026-06-12 Boatyard/Edit"]
    assert [(one["folder"], one["files"]) for one in found["others"]] == [("Papers", 1)]
    assert (found["seconds"], found["taken_in"]) == (None, [])
    assert stats(yard.root / "Main") == before
    assert yard.facts("Main") == []
    told = typed(yard, "adopt", "Main", "--dry-run", "--rate", "150")
    assert "150 MB/s" in told.out
    assert "backupkeeper adopt Main --layout" in told.out


def test_what_was_placed_becomes_rolls_where_it_is(yard: ScopedYard) -> None:
    card = put(yard, "Jobs/2026-06-12 Boatyard/Wide/Card 1", CARD)
    put(yard, "Jobs/2026-06-12 Boatyard/Footage/Recorder/Tape 1", SOUND)
    before = stats(yard.root / "Main")
    said = adopt(yard)
    assert said.code == 0, said.all
    assert [(one["files"], one["proven"]) for one in said.json["taken_in"]] == [(2, 2), (3, 3)]
    after = stats(yard.root / "Main")
    assert {path: after[path] for path in before} == before
    assert tree(card) == CARD
    assert len(list((card / "ascmhl").glob("*.mhl"))) == 1
    assert yard.head("Card 1").folder == "Jobs/2026-06-12 Boatyard/Wide/Card 1"
    assert yard.verify("Main").all_well
    again = adopt(yard)
    assert [one["known"] for one in again.json["rolls"]] == ["a roll already"] * 2
    assert again.json["taken_in"] == []
    assert again.code == 0
    assert "nothing new" in typed(yard, "adopt", "Main").out
    # and what a roll is for: it comes to the other drive, under the same folder
    assert yard.mirror().troubles == ()
    assert tree(yard.root / "Travel/Jobs/2026-06-12 Boatyard/Wide/Card 1") == CARD


@pytest.mark.parametrize("lay", ["beside", "above", "each"])
@pytest.mark.parametrize(
    ("kind", "made"),
    [
        ("md5", lambda data: hashlib.md5(data).hexdigest()),
        ("sha1", lambda data: hashlib.sha1(data).hexdigest()),
        ("sha256", lambda data: hashlib.sha256(data).hexdigest()),
        ("xxh64", xxhash.xxh64_hexdigest),
        ("b3", lambda data: blake3(data).hexdigest()),
    ],
)
def test_older_hashes_are_compared_and_one_that_differs_is_told(
    yard: ScopedYard, kind: str, made: object, lay: str
) -> None:
    folder = "260612 Boatyard/Recorder/Tape 1"
    where = put(yard, folder, SOUND)
    digests = {path: made(data) for path, data in SOUND.items()}  # type: ignore[operator]  # a function
    if lay == "each":
        for path, text in digests.items():
            (where / f"{path}.{kind}").write_text(f"{text}  {path}\n")
    else:
        top = where if lay == "beside" else where.parent.parent
        before = "" if lay == "beside" else "Recorder/Tape 1/"
        (top / f"all.{kind}").write_text(
            "".join(f"{text} *{before}{path}\n" for path, text in digests.items())
        )
    for one in where.parent.parent.rglob("*"):
        os.utime(one, (OLD, OLD))
    rotten = bytearray(SOUND["0002.WAV"])
    rotten[1000] ^= 1
    (where / "0002.WAV").write_bytes(rotten)
    os.utime(where / "0002.WAV", (OLD, OLD))
    said = adopt(yard)
    assert said.code == 1
    (one,) = said.json["taken_in"]
    (trouble,) = one["troubles"]
    assert trouble["path"] == f"{folder}/0002.WAV"
    assert "not what" in trouble["message"]
    assert one["confirmed"] == 1
    assert f"{folder}/0002.WAV" not in {fact.path for fact in yard.facts("Main")}
    with yard.context() as context:
        roll = context.catalog.roll(yard.roll("Tape 1", "Recorder"))
    assert "0002.WAV" not in {file.path for file in roll.files}
    assert "0002.WAV" in dict(roll.left_out)
    assert (where / "0002.WAV").read_bytes() == rotten


def test_a_list_that_can_not_be_believed_is_told_and_believed_in_nothing(yard: ScopedYard) -> None:
    where = put(yard, "260612 Boatyard/Recorder/Tape 1", SOUND)
    (where / "bad.md5").write_bytes(md5_list(SOUND) + b"00  ../../out\n")
    (where / "good.md5").write_bytes(md5_list({**SOUND, "0003.WAV": b""}))
    for path in where.iterdir():
        os.utime(path, (OLD, OLD))
    said = adopt(yard)
    (one,) = said.json["taken_in"]
    assert said.code == 1
    assert [trouble["path"] for trouble in one["troubles"]] == [
        "260612 Boatyard/Recorder/Tape 1/bad.md5"
    ]
    assert (one["confirmed"], one["not_there"]) == (2, ["0003.WAV"])
    assert (one["files"], one["proven"]) == (4, 4)


def test_a_history_that_a_file_contradicts_leaves_its_folder_alone_and_names_the_file(
    yard: ScopedYard,
) -> None:
    folder = "260612 Boatyard/Recorder/Tape 1"
    where = put(yard, folder, SOUND)
    assert adopt(yard).code == 0
    (yard.root / "new").mkdir()
    elsewhere = ScopedYard(yard.root / "new")
    elsewhere.drive("Main", Role.PRIMARY)
    again = put(elsewhere, folder, {**SOUND, "0001.WAV": clip(8)})
    (again / "ascmhl").mkdir()
    for path in (where / "ascmhl").iterdir():
        (again / "ascmhl" / path.name).write_bytes(path.read_bytes())
    said = adopt(elsewhere)
    assert said.code == 1
    (failed,) = said.json["failed"]
    assert failed["path"] == folder
    assert f"{folder}/0001.WAV" in failed["message"]
    with elsewhere.context() as context:
        assert context.catalog.rolls() == ()


def test_a_history_is_gone_on_with(yard: ScopedYard) -> None:
    folder = "260612 Boatyard/Recorder/Tape 1"
    where = put(yard, folder, SOUND)
    assert adopt(yard).code == 0
    (yard.root / "catalog.sqlite").unlink()
    for name in ("Main", "Travel"):
        with yard.keeper() as keeper:
            role = Role.PRIMARY if name == "Main" else Role.SECONDARY
            keeper.add_drive(str(yard.root / name), role=role, name=name, folder=True)
    said = adopt(yard)
    assert said.code == 0, said.all
    (one,) = said.json["taken_in"]
    assert (one["confirmed"], one["proven"]) == (2, 2)
    assert len(list((where / "ascmhl").glob("*.mhl"))) == 1  # it said all of it already


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (("--layout", "*/{shoot}/{roll}", "--source", "Drone"), ("Drone", "Air")),
        (("Old/260613_Boatyard/Air", "--shoot", "260613 Boatyard", "--source", "Drone", "--roll", "1"),
         ("Drone", "1")),
        (("Old", "--layout", "{shoot}/{source}", "--roll", "Roll 01"), ("Air", "Roll 01")),
    ],
)  # fmt: skip
def test_the_person_says_what_no_folder_says(
    yard: ScopedYard, words: tuple[str, ...], name: tuple[str, str]
) -> None:
    put(yard, "Old/260613_Boatyard/Air", {"a.mp4": clip(5)})
    assert adopt(yard).json["rolls"] == []
    said = adopt(yard, *words)
    assert said.code == 0, said.all
    with yard.context() as context:
        (head,) = context.catalog.rolls()
    assert (head.shoot, head.source, head.name) == ("260613 Boatyard", *name)
    assert head.folder == "Old/260613_Boatyard/Air"


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("Nowhere",), 2, "No place is called"),
        (("Main", "../Travel"), 2, "leads off"),
        (("Main", "/etc"), 2, "does not lie on"),
        (("Main", "missing"), 2, "no folder missing"),
        (("Main", "--source", "Wide"), 2, "belong together"),
        (("Main", "--layout", "{shoot}/{roll}"), 2, "each once"),
        (("Main", "--rate", "0"), 2, "rate"),
    ],
)
def test_what_can_not_be_meant_is_said(
    yard: ScopedYard, words: tuple[str, ...], code: int, told: str
) -> None:
    said = typed(yard, "adopt", *words)
    assert (said.code, told in said.all) == (code, True), said.all


def test_a_folder_may_be_named_by_its_whole_path(yard: ScopedYard) -> None:
    where = put(yard, "Jobs/260612 Boatyard/Wide/Card 1", CARD)
    put(yard, "Jobs/260613 Boatyard/Wide/Card 1", SOUND)
    assert adopt(yard, str(where.parent.parent)).code == 0
    with yard.context() as context:
        assert len(context.catalog.rolls()) == 1


def test_several_cards_in_one_folder_are_asked_about(yard: ScopedYard) -> None:
    put(yard, "260612 Boatyard/Day 1/Wide/Card 1", CARD)
    put(yard, "260612 Boatyard/Day 1/Wide/Card 2", {"DCIM/a.mp4": clip(6)})
    said = adopt(yard, "--dry-run")
    assert said.json["rolls"] == []
    (one,) = said.json["unplaced"]
    assert "look like cards by themselves" in one["why"]
    assert adopt(yard, "--layout", "{shoot}/*/{source}/{roll}").code == 0


def test_links_and_our_own_folders_are_not_followed(yard: ScopedYard) -> None:
    put(yard, "260612 Boatyard/Wide/Card 1", CARD)
    (yard.root / "Main/260613 Boatyard").symlink_to(yard.root / "Main/260612 Boatyard")
    (yard.root / "Main/260612 Boatyard/Wide/Card 2").symlink_to(yard.root)
    said = adopt(yard, "--dry-run")
    assert [roll["folder"] for roll in said.json["rolls"]] == ["260612 Boatyard/Wide/Card 1"]


@pytest.mark.parametrize("at", range(1, 30, 3))
def test_stopped_anywhere_the_same_command_goes_on(yard: ScopedYard, at: int) -> None:
    put(yard, "260612 Boatyard/Wide/Card 1", CARD)
    put(yard, "260612 Boatyard/Recorder/Tape 1", SOUND)
    before = stats(yard.root / "Main")
    with yard.keeper() as keeper, contextlib.suppress(KeyboardInterrupt):
        keeper.adopt(AdoptWish(place="Main"), progress=StopsAt(at))
    said = adopt(yard)
    assert said.code == 0, said.all
    with yard.context() as context:
        assert sorted(head.file_count for head in context.catalog.rolls()) == [2, 3]
    after = stats(yard.root / "Main")
    assert {path: after[path] for path in before} == before
    assert yard.verify("Main").all_well
