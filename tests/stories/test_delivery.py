"""A delivered folder checked against its own manifests and taken in. Commands as they are typed."""

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from backupkeeper.manifests.bagit_read import read_bag
from backupkeeper.manifests.bagit_write import declaration
from backupkeeper.manifests.mhl_model import Action
from tests.conftest import STANDARDS
from tests.stories.deliveries import (
    CARD,
    CLIP,
    SHOOT,
    every_file,
    flaws,
    history,
    imported,
    made_bag,
    roll_at,
)
from tests.stories.typed import AtAdvance, judged, offloaded, typed
from tests.stories.yard import Yard, rot, tree

pytest_plugins = ["tests.stories.delivery_fixtures"]
WORKED = Path(STANDARDS) / "worked_mhl/Day01"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = Yard(tmp_path)
    yard.drives()
    return yard


def test_a_delivery_is_taken_in_and_its_history_goes_on(yard: Yard, delivery: Path) -> None:
    before = every_file(delivery)
    theirs = history(delivery)
    said = imported(yard, delivery)
    assert said.code == 0, said.all
    assert (said.json["sealed"], said.json["history_continued"]) == (True, True)
    assert said.json["right_files"] == len(CARD)
    assert every_file(delivery) == before, "it was left as it is"
    for drive in ("Main", "Travel"):
        now = history(roll_at(yard, drive))
        assert now.faults == ()
        assert now.chain[: len(theirs.chain)] == theirs.chain
        last = {one.path: one for one in now.manifests[now.chain[-1].name].files}
        for path in CARD:
            assert {made.action for made in last[path].hashes} == {Action.VERIFIED}
        kept = roll_at(yard, drive) / "ascmhl%~2"
        assert {path.name for path in kept.iterdir()} == {
            path.name for path in (delivery / "ascmhl").iterdir()
        }, "the delivered manifests are originals too"
    assert typed(yard, "verify", SHOOT).code == 0
    assert judged(yard, delivery) == ("yes", set())


def test_only_checked_nothing_is_written(yard: Yard, delivery: Path, bag: Path) -> None:
    for folder in (delivery, bag):
        said = typed(yard, "import", str(folder), "--dry-run", "--json")
        assert (said.code, said.json["taken"], said.json["flaws"]) == (0, False, [])
        assert "Nothing was taken in." in typed(yard, "import", str(folder), "--dry-run").out
    rot(delivery / CLIP, 100, b"rotten")
    said = typed(yard, "import", str(delivery), "--dry-run", "--json")
    assert (said.code, flaws(said)) == (1, {CLIP: "differs"})
    assert not (yard.root / "Main" / SHOOT).exists()
    assert typed(yard, "import", str(delivery)).code == 2


def test_what_differs_is_not_copied_and_a_good_one_completes_the_roll(
    yard: Yard, delivery: Path
) -> None:
    rot(delivery / CLIP, 100, b"rotten")
    said = imported(yard, delivery)
    assert (said.code, said.json["sealed"]) == (1, False)
    assert flaws(said) == {CLIP: "differs"}
    assert not (roll_at(yard) / CLIP).exists()
    assert not list(yard.root.glob("Main/**/.backupkeeper-*")), "nothing of it stays"
    told = typed(yard, "import", str(delivery), "--shoot", SHOOT, "--source", "Drone")
    assert "NOT TAKEN IN" in told.out
    assert "(or its import), which was not finished" in " ".join(typed(yard, "report").out.split())
    rot(delivery / CLIP, 100, CARD[CLIP][100:106])
    said = imported(yard, delivery)
    assert said.code == 0, said.all
    assert said.json["folder"].endswith("Roll 01")
    assert history(roll_at(yard)).faults == ()


def test_taken_in_as_it_is_what_was_found_stands_in_the_manifest(
    yard: Yard, delivery: Path
) -> None:
    rot(delivery / CLIP, 100, b"rotten")
    (delivery / "EMPTY.DAT").unlink()
    (delivery / "mine.txt").write_bytes(b"x")
    assert imported(yard, delivery).code == 1
    assert not (roll_at(yard) / "mine.txt").exists(), "nothing that is not listed"
    said = imported(yard, delivery, "--as-it-is")
    assert (said.code, said.json["sealed"], said.json["history_continued"]) == (1, True, False)
    assert flaws(said) == {CLIP: "differs", "EMPTY.DAT": "missing", "mine.txt": "extra"}
    now = history(roll_at(yard))
    assert (len(now.chain), now.faults) == (1, ())
    comment = now.manifests[now.chain[0].name].creator.comment
    assert comment is not None
    assert all(path in comment for path in (CLIP, "EMPTY.DAT", "mine.txt"))
    assert (roll_at(yard) / CLIP).read_bytes() == (delivery / CLIP).read_bytes()
    assert typed(yard, "verify", SHOOT).code == 0


def test_a_long_list_is_cut_in_the_remark(yard: Yard, delivery: Path) -> None:
    for number in range(25):
        (delivery / f"mine {number:02}.txt").write_bytes(b"%d" % number)
    assert imported(yard, delivery, "--as-it-is").code == 1
    now = history(roll_at(yard))
    assert "and 5 more." in str(now.manifests[now.chain[0].name].creator.comment)


def test_a_manifest_that_is_not_what_its_chain_names_stops_it(yard: Yard, delivery: Path) -> None:
    first = next((delivery / "ascmhl").glob("0001_*"))
    first.write_bytes(first.read_bytes() + b" ")
    said = imported(yard, delivery)
    assert (said.code, said.json["sealed"]) == (1, False)
    assert set(flaws(said).values()) == {"manifest"}


def test_a_bag_is_taken_in_whole_and_stays_a_bag(yard: Yard, bag: Path) -> None:
    said = imported(yard, bag)
    assert said.code == 0, said.all
    assert said.json["forms"] == ["BagIt"]
    assert tree(roll_at(yard)) == tree(bag)
    assert history(roll_at(yard)).faults == ()
    sizes = {path: len(data) for path, data in tree(roll_at(yard)).items()}
    found = read_bag(sizes, lambda path: (roll_at(yard) / path).read_bytes())
    assert (found.faults, found.missing, found.extra) == ((), (), ())
    assert typed(yard, "verify", SHOOT).code == 0


def test_our_own_bag_comes_in_again(yard: Yard, tmp_path: Path) -> None:
    (tmp_path / "theirs").mkdir()
    theirs = Yard(tmp_path / "theirs")
    theirs.drives()
    assert offloaded(theirs, theirs.card("card", CARD)).code == 0
    words = ("export", "Wide/Roll 01", "--to", str(tmp_path / "x"), "--format", "bagit")
    assert typed(theirs, *words).code == 0
    said = imported(yard, tmp_path / "x/260612 Boatyard Wide Roll 01")
    assert said.code == 0, said.all


@pytest.mark.parametrize("what", ["corrupt", "missing", "extra", "tag", "link", "md5"])
def test_a_bag_that_is_not_valid_is_told_and_not_sealed(yard: Yard, bag: Path, what: str) -> None:
    expected = {f"data/{CLIP}": "differs"}
    if what == "corrupt":
        rot(bag / "data" / CLIP, 4_999_990, b"rotten")
    elif what == "missing":
        (bag / "data" / CLIP).unlink()
        expected = {f"data/{CLIP}": "missing", "bag-info.txt": "manifest"}
    elif what == "extra":
        (bag / "data/mine.txt").write_bytes(b"")
        expected = {"data/mine.txt": "extra", "bag-info.txt": "manifest"}
    elif what == "tag":
        with (bag / "bag-info.txt").open("ab") as file:
            file.write(b"More: x\n")
        expected = {"bag-info.txt": "differs"}
    elif what == "link":
        (bag / "data/link").symlink_to("/etc/hostname")
        expected = {"data/link": "special"}
    else:
        (bag / "manifest-md5.txt").write_bytes(b"0" * 32 + f"  data/{CLIP}\n".encode())
    said = imported(yard, bag)
    assert (said.code, said.json["sealed"]) == (1, False)
    found = flaws(said)
    assert expected.items() <= found.items()
    if what != "md5":
        assert found == expected


def test_litter_counts_where_it_is_listed_and_only_there(yard: Yard, tmp_path: Path) -> None:
    bag = made_bag(tmp_path / "bag", {**CARD, "Thumbs.db": b"pictures"})
    (bag / "data/.DS_Store").write_bytes(b"a window was opened")
    (bag / "bag-info.txt").unlink()
    (bag / "tagmanifest-sha512.txt").unlink()
    said = imported(yard, bag)
    assert said.code == 0, said.all
    assert (roll_at(yard) / "data/Thumbs.db").read_bytes() == b"pictures"
    assert not (roll_at(yard) / "data/.DS_Store").exists()


@pytest.mark.real("standards")
def test_a_history_with_another_one_in_it_and_other_hashes(yard: Yard, tmp_path: Path) -> None:
    """STANDARDS section 1.8: ``worked_mhl``, xxh64, a history below the one that is named."""
    day = tmp_path / "Day01"
    shutil.copytree(WORKED, day)
    said = imported(yard, day)
    assert said.code == 0, said.all
    assert said.json["right_files"] == 4
    now = history(roll_at(yard))
    assert len(now.chain) == 2
    rot(day / "A002R2EC/Sidecar.txt", 0, b"J")
    said = typed(yard, "import", str(day), "--dry-run", "--json")
    assert (said.code, flaws(said)) == (1, {"A002R2EC/Sidecar.txt": "differs"})


def test_an_interrupted_import_is_gone_on_with(yard: Yard, delivery: Path) -> None:
    def interrupt() -> None:
        raise KeyboardInterrupt

    with yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.bring_in(
            str(delivery),
            shoot=SHOOT,
            source="Drone",
            roll=None,
            as_it_is=False,
            progress=AtAdvance(number=2, deed=interrupt),
        )
    said = imported(yard, delivery)
    assert said.code == 0, said.all
    assert said.json["folder"].endswith("Roll 01")
    assert set(said.json["proven_at"].values()) == {said.json["files"]}


def test_what_was_taken_in_before_is_not_taken_in_twice(yard: Yard, delivery: Path) -> None:
    assert imported(yard, delivery).code == 0
    said = imported(yard, delivery)
    assert said.code == 2
    assert "taken in before" in said.all
    other = ("--shoot", "260614 Boatyard", "--source", "Close")
    said = typed(yard, "import", str(delivery), *other)
    assert (said.code, "are a roll already" in said.all) == (3, True)


def test_what_has_no_manifests_is_no_delivery(yard: Yard, delivery: Path, bag: Path) -> None:
    said = imported(yard, yard.card("card", CARD))
    assert (said.code, "backupkeeper offload" in said.all) == (2, True)
    said = imported(yard, delivery.parent)
    assert (said.code, "Roll 01" in said.all) == (2, True)
    (bag / "bagit.txt").write_bytes(b"rubbish")
    said = imported(yard, bag)
    assert (said.code, "It is no bag" in said.all) == (1, True)
    assert typed(yard, "import", str(bag), "--dry-run").code == 1
    assert imported(yard, yard.root / "Main").code == 2


_NAMES = st.sampled_from(
    [
        "bagit.txt",
        "manifest-sha512.txt",
        "tagmanifest-md5.txt",
        "fetch.txt",
        "bag-info.txt",
        "data/a",
        "data/b",
    ]
)
_TEXTS = st.one_of(
    st.binary(max_size=60),
    st.just(declaration()),
    st.lists(
        st.tuples(
            st.sampled_from(["0" * 128, "0" * 32, "http://far.example/x -"]),
            st.sampled_from(
                ["data/a", "data/b", "../secret", "/etc/passwd", "~/x", "data/../../secret"]
            ),
        ),
        max_size=4,
    ).map(lambda rows: "".join(f"{said}  {path}\n" for said, path in rows).encode()),
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(files=st.dictionaries(_NAMES, _TEXTS, max_size=7), links=st.sets(_NAMES, max_size=2))
def test_whatever_is_delivered_nothing_outside_is_read(
    yard: Yard, files: dict[str, bytes], links: set[str]
) -> None:
    secret, root = yard.root / "secret", yard.root / "hostile"
    secret.write_bytes(b"")
    os.utime(secret, ns=(1, 1))
    shutil.rmtree(root, ignore_errors=True)
    for path, data in {**files, "bagit.txt": files.get("bagit.txt", declaration())}.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        if path in links:
            (root / path).symlink_to(secret)
        else:
            (root / path).write_bytes(data)
    said = imported(yard, root)
    assert said.code in {1, 2}, "such a bag is never whole"
    assert os.stat(secret).st_atime_ns == 1, "it was not opened"
    assert not roll_at(yard).joinpath("ascmhl").exists()


def test_manifests_that_list_nothing_show_nothing(yard: Yard, tmp_path: Path) -> None:
    said = imported(yard, made_bag(tmp_path / "empty", {}))
    assert (said.code, said.json["sealed"]) == (1, False)
    assert "They list no file." in said.all


def test_without_a_drive_nothing_is_taken_in(tmp_path: Path, bag: Path) -> None:
    assert imported(Yard(tmp_path), bag).code == 3


@pytest.mark.parametrize("name", ["manifest-sha512.txt", "bagit.txt", "data", "ascmhl"])
def test_nothing_outside_is_read_through_a_link(yard: Yard, bag: Path, name: str) -> None:
    outside = bag.parent / "outside"
    if (bag / name).exists():
        shutil.move(bag / name, outside)
    else:
        outside.mkdir()
    (bag / name).symlink_to(outside)
    before = {path: os.stat(path).st_atime_ns for path in outside.rglob("*") if path.is_file()}
    for path in before:
        os.utime(path, ns=(1, path.stat().st_mtime_ns))
    said = imported(yard, bag)
    assert said.code in {1, 2}, said.all
    assert not list(yard.root.glob("Main/*/Originals/Drone/*/ascmhl"))
    assert all(os.stat(path).st_atime_ns == 1 for path in before), "it was not opened"
