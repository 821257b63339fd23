"""A shoot handed over: as rolls whose ASC MHL history goes on, and as a bag. Commands as they are typed."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from backupkeeper.core.handing import Form, Handing, HandoverOutcome
from backupkeeper.core.restoring import Asked, RestorePlan
from backupkeeper.manifests.bagit_read import Bag, read_bag
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import Action, History, Process
from backupkeeper.ports.progress import Progress
from tests.stories.typed import AtAdvance, offloaded, typed
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, rot, tree

CLIP = "DCIM/100BOATY/BOAT0001.MP4"
CARD = {CLIP: clip(1, 5_000_000), "DCIM/100BOATY/odd é.XML": b"<clip/>\n", "EMPTY.DAT": b""}
SOUND = {"260612-T001.WAV": clip(7)}


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = Yard(tmp_path)
    yard.drives()
    assert offloaded(yard, yard.card("card", CARD)).code == 0
    assert offloaded(yard, yard.card("sound", SOUND), source="Recorder").code == 0
    return yard


def history(roll: Path) -> History:
    where = roll / "ascmhl"
    found = read_history(
        [path.name for path in where.iterdir()], lambda name: (where / name).read_bytes()
    )
    assert found is not None
    return found


def bag_at(root: Path) -> Bag:
    sizes = {
        str(path.relative_to(root)): path.stat().st_size
        for path in root.rglob("*")
        if path.is_file()
    }
    return read_bag(sizes, lambda path: (root / path).read_bytes())


def handed(yard: Yard, to: Path, form: Form, progress: Progress = QUIET) -> HandoverOutcome:
    with yard.keeper() as keeper:
        return keeper.hand_over(
            Asked(what=SHOOT, to=str(to)),
            Handing(form=form),
            agree=lambda _: True,
            progress=progress,
        )


def test_each_roll_gets_a_generation_that_says_what_was_read_back(yard: Yard) -> None:
    to = yard.root / "client"
    said = typed(yard, "export", SHOOT, "--to", str(to), "--format", "mhl", "--json")
    assert said.code == 0, said.all
    assert (said.json["closed"], len(said.json["manifests"])) == (True, 2)
    assert tree(roll_folder(to)) == CARD
    before, now = history(roll_folder(yard.root / "Main")), history(roll_folder(to))
    assert now.faults == ()
    assert [one.name for one in now.chain[:-1]] == [one.name for one in before.chain]
    last = now.manifests[now.chain[-1].name]
    assert last.process is Process.TRANSFER
    assert {one.path for one in last.files} == set(CARD)
    assert {made.action for one in last.files for made in one.hashes} == {Action.VERIFIED}
    assert last.creator.tool == "backupkeeper"
    told = typed(yard, "verify", str(to), "--json")
    assert told.code == 0, told.all


def test_said_again_it_compares_and_adds_what_was_seen_then(yard: Yard) -> None:
    to = yard.root / "client"
    assert typed(yard, "export", SHOOT, "--to", str(to), "--format", "mhl").code == 0
    said = typed(yard, "export", SHOOT, "--to", str(to), "--format", "mhl", "--json")
    assert said.code == 0, said.all
    now = history(roll_folder(to))
    assert (now.faults, len(now.chain)) == ((), 3)
    assert now.manifests[now.chain[-1].name].process is Process.IN_PLACE
    assert said.json["kept_files"] == len(CARD) + len(SOUND)


def test_a_manifest_that_a_kill_left_beside_the_chain_is_named_in_it(yard: Yard) -> None:
    to = yard.root / "client"
    assert handed(yard, to, Form.MHL).closed
    chain = roll_folder(to) / "ascmhl/ascmhl_chain.xml"
    shutil.copy(roll_folder(yard.root / "Main") / "ascmhl/ascmhl_chain.xml", chain)
    assert history(roll_folder(to)).unlisted
    assert handed(yard, to, Form.MHL).closed
    now = history(roll_folder(to))
    assert (now.faults, len(now.chain)) == ((), 3)


def test_what_no_copy_has_is_told_and_its_roll_gets_no_manifests(yard: Yard) -> None:
    for drive in ("Main", "Travel"):
        rot(roll_folder(yard.root / drive) / CLIP, 4_300_000, b"rotten")
    to = yard.root / "client"
    said = typed(yard, "export", SHOOT, "--to", str(to), "--format", "mhl", "--json")
    assert (said.code, said.json["closed"]) == (1, False)
    assert len(said.json["manifests"]) == 1
    assert not (roll_folder(to) / "ascmhl").exists()
    assert (roll_folder(to, source="Recorder") / "ascmhl").exists()
    other = yard.root / "archive"
    said = typed(yard, "export", SHOOT, "--to", str(other), "--format", "bagit")
    assert said.code == 1
    assert "don't hand it over yet" in said.all
    assert not (other / SHOOT / "bagit.txt").exists()


def test_a_history_that_contradicts_itself_is_not_gone_on_with(yard: Yard) -> None:
    to = yard.root / "client"
    assert handed(yard, to, Form.MHL).closed
    manifest = next((roll_folder(to) / "ascmhl").glob("0001_*"))
    manifest.write_bytes(manifest.read_bytes() + b" ")
    found = handed(yard, to, Form.MHL)
    assert not found.closed
    assert len(found.manifests) == 1
    assert any("other manifests stand there" in note for note in found.restored.notes)


def test_a_bag_holds_all_of_it_and_common_tools_check_it(yard: Yard) -> None:
    to = yard.root / "archive"
    said = typed(
        yard, "export", SHOOT, "--to", str(to), "--format", "bagit",
        "--digest", "sha512", "--digest", "sha256", "--json",
    )  # fmt: skip
    assert said.code == 0, said.all
    bag = to / SHOOT
    assert (said.json["bag"], said.json["closed"]) == (str(bag), True)
    assert tree(roll_folder(bag / "data")) == CARD
    found = bag_at(bag)
    assert (found.faults, found.missing, found.extra, found.warnings) == ((), (), (), ())
    for kind in ("sha512", "sha256"):
        for name in ("manifest", "tagmanifest"):
            subprocess.run(
                [f"{kind}sum", "--strict", "--quiet", "-c", f"{name}-{kind}.txt"],
                cwd=bag,
                check=True,
                env=os.environ,
            )
    labels = dict(found.info)
    payload = [path for path in (bag / "data").rglob("*") if path.is_file()]
    size = sum(path.stat().st_size for path in payload)
    assert labels["Payload-Oxum"] == f"{size}.{len(payload)}"
    with yard.keeper() as keeper:
        rolls = {one.roll.id for one in keeper.gaps().rolls}
    assert {value for label, value in found.info if label == "External-Identifier"} == rolls
    assert typed(yard, "verify", str(bag / "data")).code == 0, "its rolls have their manifests too"


def test_nothing_is_put_into_a_bag_or_beside_something_else(yard: Yard) -> None:
    to = yard.root / "archive"
    words = ("export", SHOOT, "--to", str(to), "--format", "bagit")
    assert typed(yard, *words).code == 0
    before = tree(to)
    said = typed(yard, *words)
    assert (said.code, "is a bag already" in said.all) == (2, True)
    assert tree(to) == before
    other = yard.root / "other"
    (other / SHOOT).mkdir(parents=True)
    (other / SHOOT / "mine.txt").write_bytes(b"x")
    said = typed(yard, "export", SHOOT, "--to", str(other), "--format", "bagit")
    assert (said.code, "holds something else" in said.all) == (2, True)
    (yard.root / "file").write_bytes(b"")
    (yard.root / "plain").mkdir()
    (yard.root / "plain" / SHOOT).write_bytes(b"no folder")
    said = typed(yard, "export", SHOOT, "--to", str(yard.root / "plain"), "--format", "bagit")
    assert said.code == 2


@pytest.mark.parametrize("kind", ["file", "link"])
def test_a_bag_with_something_foreign_in_it_is_not_closed(yard: Yard, kind: str) -> None:
    to = yard.root / "archive"
    payload = to / SHOOT / "data"
    payload.mkdir(parents=True)
    if kind == "file":
        (payload / "mine.txt").write_bytes(b"x")
    else:
        (payload / "mine.txt").symlink_to("/etc/hostname")
    said = typed(yard, "export", SHOOT, "--to", str(to), "--format", "bagit", "--json")
    assert (said.code, said.json["closed"]) == (1, False)
    assert "mine.txt stands there too" in said.all
    assert not (to / SHOOT / "bagit.txt").exists()
    (payload / "mine.txt").unlink()
    again = typed(yard, "export", SHOOT, "--to", str(to), "--format", "bagit", "--json")
    assert (again.code, again.json["kept_files"]) == (0, len(CARD) + len(SOUND))


def test_an_interrupted_bag_is_gone_on_with_and_closed_on_another_day(yard: Yard) -> None:
    to, bag = yard.root / "archive", yard.root / "archive" / SHOOT

    def interrupt() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        handed(yard, to, Form.BAGIT, AtAdvance(number=2, deed=interrupt))
    assert not (bag / "bagit.txt").exists()
    assert handed(yard, to, Form.BAGIT).closed
    (bag / "bagit.txt").unlink()  # as if it had been killed just before the last step
    (bag / "tagmanifest-sha512.txt").unlink()
    info = (bag / "bag-info.txt").read_bytes()
    yard.clock.at = yard.clock.at.replace(day=20)
    assert handed(yard, to, Form.BAGIT).closed
    assert (bag / "bag-info.txt").read_bytes() == info
    assert not bag_at(bag).faults
    (bag / "bagit.txt").unlink()
    (bag / "bag-info.txt").write_bytes(b"Payload-Oxum: another's\n")
    assert not handed(yard, to, Form.BAGIT).closed, "what another put there is left"
    assert (bag / "bag-info.txt").read_bytes() == b"Payload-Oxum: another's\n"


def test_a_single_roll_gets_a_bag_of_its_own_name(yard: Yard) -> None:
    to = yard.root / "archive"
    said = typed(yard, "export", "Recorder/Roll 01", "--to", str(to), "--format", "bagit", "--json")
    assert said.code == 0, said.all
    assert os.listdir(to) == [f"{SHOOT} Recorder Roll 01"]


def test_only_told_what_would_be_done(yard: Yard) -> None:
    to = yard.root / "client"
    for form in ("mhl", "bagit"):
        said = typed(yard, "export", SHOOT, "--to", str(to), "--format", form, "--dry-run")
        assert said.code == 0
        assert f"Handing over of {SHOOT}: 4 files" in said.out
        assert "Nothing was done." in said.out
    assert not to.exists()


@pytest.mark.parametrize("what", ["Nobody knows", f"{SHOOT}/Wide/Roll 01/{CLIP}", "Main"])
def test_only_whole_shoots_and_rolls_are_handed_over(yard: Yard, what: str) -> None:
    said = typed(yard, "export", what, "--to", str(yard.root / "client"), "--format", "mhl")
    assert said.code == 2
    assert not (yard.root / "client").exists()


def test_a_name_that_is_not_utf8_can_stand_in_no_bag(yard: Yard) -> None:
    raw = yard.card("raw", {"a.txt": b"a"})
    with open(os.fsencode(raw) + b"/bad\xff.txt", "wb") as file:
        file.write(b"raw")
    assert offloaded(yard, raw, source="Close").code == 0
    to = yard.root / "archive"
    said = typed(yard, "export", "Close/Roll 01", "--to", str(to), "--format", "bagit")
    assert said.code == 1
    assert "not UTF-8" in said.all
    assert not list(to.glob("*/bagit.txt"))
    said = typed(yard, "export", "Close/Roll 01", "--to", str(to), "--format", "mhl")
    assert said.code == 0, said.all


def test_the_plan_is_shown_and_a_no_leaves_nothing(yard: Yard) -> None:
    shown: list[RestorePlan] = []

    def no(plan: RestorePlan) -> bool:
        shown.append(plan)
        return False

    with yard.keeper() as keeper:
        found = keeper.hand_over(
            Asked(what=SHOOT, to=str(yard.root / "client")),
            Handing(form=Form.MHL),
            agree=no,
            progress=QUIET,
        )
    assert (len(shown), found.closed, found.restored.done) == (1, False, False)
    assert not (yard.root / "client").exists()
