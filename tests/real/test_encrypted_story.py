"""The third place, encrypted: what the store sees, what proves it, and everything back with the key.

Both stores, as in the story without encryption: the real one refuses wrong bytes, the mock takes all.
"""

import json
import sqlite3
import subprocess
import zlib
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from backupkeeper.core.errors import KeysNotShownError
from backupkeeper.core.model import Result, Role, Way
from backupkeeper.core.outcomes import Finding, UploadOutcome
from backupkeeper.transfer.age import decrypted, identities_from
from tests.real.store import Server
from tests.stories.typed import typed
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, rot, tree

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 9_000_000),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/odd + %41 & é #.XML": b"<clip/>\n",
    "MISC/EMPTY.DAT": b"",
}
STORES = [
    pytest.param("radosgw", marks=pytest.mark.real("store"), id="a store that refuses wrong bytes"),
    pytest.param("moto", id="a store that takes anything"),
]
MOCK = [pytest.param("moto", id="a store that takes anything")]
KEYS = {
    "kitchen": (
        "AGE-SECRET-KEY-1D4KXY0TGGNQ905PLM09AJKMXL827AR6P3AEQCSEGLMNMR7A5L2TQ08HU8H",
        "age1tl890k2psjly2wq325nxzp9u38x7uuhlrzt7v55styq8mtt57fzsp2af8d",
    ),
    "aunt": (
        "AGE-SECRET-KEY-1NGYSCRMEA4UMVLEFEGTQZWEX9WSJVA3TNQ3P4XVTX7EWWPRKLZ3QLC69YM",
        "age18k0a6m6mdjr75kudzx7utm389u2t3q9favhsl594y8hu0k2wkdsszmrmqx",
    ),
}
"""Made by Debian's age-keygen for these tests; they open nothing else."""


@dataclass
class Stand:
    """A yard with an encrypted third place."""

    yard: Yard
    store: Server
    bucket: str

    def key(self, name: str) -> Path:
        file = self.yard.root / f"{name}.txt"
        file.write_text(f"# {name}\n{KEYS[name][0]}\n")
        return file

    def configure(self, *, hide: bool = False, key: str = "", on: bool = True) -> None:
        lines = ["[upload]"]
        if on:
            lines += [f"encrypt_to = {json.dumps([public for _, public in KEYS.values()])}"]
            lines += [f"hide_names = {str(hide).lower()}"]
        if key:
            lines += [f'identity_file = "{self.key(key)}"']
        self.yard.policy = "distinct_devices = false\n" + "\n".join(lines)
        self.yard.__post_init__()

    def show(self) -> None:
        with self.yard.keeper() as keeper:
            keeper.show_keys([str(self.key("kitchen"))], where="the kitchen drawer")

    def upload(self) -> UploadOutcome:
        with self.yard.keeper() as keeper:
            (outcome,) = keeper.upload(progress=QUIET)
        return outcome

    def harmed(self) -> bool:
        """Whether anything bad is recorded of the bucket."""
        with self.yard.keeper() as keeper:
            place = next(one.place for one in keeper.places() if one.place.role is Role.CLOUD)
            facts = list(keeper.context.catalog.facts_at(place.id))
        return any(fact.result is not Result.MATCHES for fact in facts)

    def objects(self) -> dict[str, bytes]:
        client = self.store.client
        return {
            key.removeprefix("footage/"): client.get_object(Bucket=self.bucket, Key=key)[
                "Body"
            ].read()
            for key in self.store.keys(self.bucket)
        }


@pytest.fixture
def store(request: pytest.FixtureRequest, credentials: None) -> Server:
    server: Server = request.getfixturevalue(request.param)
    return server


@pytest.fixture
def stand(tmp_path: Path, store: Server, request: pytest.FixtureRequest) -> Stand:
    bucket = f"sealed-{zlib.crc32(request.node.nodeid.encode())}"
    store.client.create_bucket(Bucket=bucket)
    stand = Stand(Yard(tmp_path), store, bucket)
    stand.configure()
    stand.yard.drives()
    with stand.yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=store.url,
            profile=None,
        )
    return stand


def opened_by(key: str, data: bytes) -> bytes:
    return decrypted(data, identities_from(KEYS[key][0].encode(), key), "x")


@pytest.mark.parametrize("hide", [False, True], ids=["names readable", "names hidden"])
@pytest.mark.parametrize("store", STORES, indirect=True)
def test_three_places_then_yes_and_the_store_sees_nothing_but_sizes(
    stand: Stand, store: Server, hide: bool
) -> None:
    stand.configure(hide=hide)
    stand.show()
    card = stand.yard.card("card", CARD)
    stand.yard.offload(card)
    outcome = stand.upload()
    assert (outcome.sent_files, outcome.troubles, outcome.waiting) == (4, (), ())
    verdict = stand.yard.verdict(card)
    assert verdict.may_wipe
    ways = {file.roles[Role.CLOUD].proof for file in verdict.files}
    assert ways == {Way.ATTESTED if store.name == "radosgw" else Way.DOWNLOADED}
    assert stand.upload().sent_files == 0
    objects = stand.objects()
    (checks,) = (data for key, data in objects.items() if key.endswith(".b3"))
    (marker,) = (key for key in objects if key.endswith("/place.json"))
    assert b"Boatyard" not in objects.pop(marker)  # says whose bucket it is, to who has no key too
    sealed = {key: data for key, data in objects.items() if not key.endswith(".b3")}
    assert all(data.startswith(b"age-encryption.org/v1\n") for data in sealed.values())
    told = "\n".join(objects) + checks.decode()
    for name in ("BOAT0001", "Boatyard", "Roll 01"):
        assert (name in told) != hide
    whole = {opened_by("kitchen", data) for data in sealed.values()}
    assert whole == {opened_by("aunt", data) for data in sealed.values()}
    assert set(CARD.values()) <= whole


@pytest.mark.real("age", "b3sum")
@pytest.mark.parametrize("hide", [False, True], ids=["names readable", "names hidden"])
@pytest.mark.parametrize("store", MOCK, indirect=True)
def test_with_this_program_gone_common_tools_check_and_read_everything(
    stand: Stand, hide: bool, tmp_path: Path
) -> None:
    stand.configure(hide=hide)
    stand.show()
    stand.yard.offload(stand.yard.card("card", CARD))
    stand.upload()
    fetched = tmp_path / "fetched"
    for name, data in stand.objects().items():
        (fetched / name).parent.mkdir(parents=True, exist_ok=True)
        (fetched / name).write_bytes(data)
    (checks,) = (fetched / ".backupkeeper/encrypted").glob("*.b3")
    subprocess.run(["b3sum", "--check", checks], cwd=fetched, check=True, capture_output=True)
    key = stand.key("aunt")

    def read(file: Path) -> bytes:
        return subprocess.run(
            ["age", "-d", "-i", key, file], check=True, capture_output=True
        ).stdout

    (listed,) = (fetched / ".backupkeeper/encrypted").glob("*.json.age")
    told = json.loads(read(listed))
    found = {one["path"]: read(fetched / one["object"]) for one in told["files"]}
    assert found == CARD
    sizes = {one["path"]: (one["size"], one["encrypted"]) for one in told["files"]}
    assert sizes == {name: (len(data), True) for name, data in CARD.items()}


@pytest.mark.parametrize("store", MOCK, indirect=True)
def test_nothing_is_sent_before_somebody_showed_a_key(stand: Stand) -> None:
    card = stand.yard.card("card", CARD)
    stand.yard.offload(card)
    with pytest.raises(KeysNotShownError):
        stand.upload()
    said = typed(stand.yard, "upload")
    assert said.code == 2
    assert "backupkeeper keys --kept FILE" in said.all
    assert list(stand.objects()) == [".backupkeeper/place.json"]  # the marker, for everybody
    assert typed(stand.yard, "keys").code == 1
    wrong = stand.yard.root / "wrong.txt"
    wrong.write_text(KEYS["aunt"][1])
    said = typed(stand.yard, "keys", "--kept", str(wrong), "--where", "here")
    assert (said.code, "public half" in said.err) == (2, True)
    assert typed(stand.yard, "keys", "--kept", str(stand.key("aunt"))).code == 2  # where is it?
    said = typed(
        stand.yard, "keys", "--kept", str(stand.key("aunt")), "--where", "at my aunt's", "--json"
    )
    assert said.code == 0
    assert said.json["shown"] == [KEYS["aunt"][1]]
    assert said.json["where"] == "at my aunt's"
    assert said.json["may_send"]
    assert "SECRET" not in said.all
    assert stand.upload().sent_files == 4
    assert typed(stand.yard, "keys", "--json").json["buckets"] == [
        {"name": "Off site", "encrypted_files": 4, "readable_files": 0, "readable_bytes": 0}
    ]
    stand.configure(hide=True)  # another promise than the one that was shown
    stand.yard.offload(stand.yard.card("more", {"A": b"a"}))
    with pytest.raises(KeysNotShownError):
        stand.upload()


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_a_look_and_a_download_prove_it_without_a_key_and_damage_is_found(
    stand: Stand, store: Server
) -> None:
    stand.show()
    card = stand.yard.card("card", CARD)
    stand.yard.offload(card)
    stand.upload()
    with stand.yard.keeper() as keeper:
        assert keeper.verify("Off site", progress=QUIET).all_well
    key = f"footage/{SHOOT}/Originals/Wide/Roll 01/DCIM/100BOATY/BOAT0002.MP4.age"
    body = bytearray(store.client.get_object(Bucket=stand.bucket, Key=key)["Body"].read())
    body[len(body) // 2] ^= 1
    store.client.put_object(Bucket=stand.bucket, Key=key, Body=bytes(body))
    with stand.yard.keeper() as keeper:
        (found,) = keeper.verify("Off site", progress=QUIET).checked
    assert (found.finding, found.path[-12:]) == (Finding.DAMAGED, "BOAT0002.MP4")
    assert not stand.yard.verdict(card).may_wipe
    with stand.yard.keeper() as keeper:
        mended = keeper.repair(
            "Off site", dry_run=False, edited=False, in_doubt=False, progress=QUIET
        )
    assert [one.proven for one in mended.mended] == [True]
    assert stand.yard.verdict(card).may_wipe
    with stand.yard.keeper() as keeper:
        assert keeper.verify("Off site", progress=QUIET).all_well


@pytest.mark.parametrize("store", MOCK, indirect=True)
def test_what_was_fetched_with_the_key_at_hand_was_decrypted_and_it_says_so(stand: Stand) -> None:
    stand.show()
    stand.yard.offload(stand.yard.card("card", CARD))
    stand.upload()
    stand.configure(key="aunt")
    with stand.yard.keeper() as keeper:
        assert keeper.verify("Off site", progress=QUIET).all_well
        place = next(one.place for one in keeper.places() if one.place.role is Role.CLOUD)
        facts = list(keeper.context.catalog.facts_at(place.id))
    newest = {fact.path: fact.evidence for fact in sorted(facts, key=lambda fact: fact.at)}
    assert len(newest) == 4
    assert all("decrypted and compared too" in evidence for evidence in newest.values())


@pytest.mark.parametrize("store", MOCK, indirect=True)
def test_a_drive_is_mended_from_an_encrypted_bucket_with_the_key_only(stand: Stand) -> None:
    stand.show()
    stand.yard.offload(stand.yard.card("card", CARD))
    stand.upload()
    for drive in ("Main", "Travel"):
        file = roll_folder(stand.yard.root / drive) / "DCIM/100BOATY/BOAT0001.MP4"
        rot(file, 5_000_000, b"spoiled")
    stand.yard.verify()
    outcome = stand.yard.repair("Main")
    assert not outcome.mended
    assert any("is encrypted, and there is no key here" in one.message for one in outcome.troubles)
    assert not stand.harmed()  # that it can't be read here says nothing of the object
    said = typed(stand.yard, "--identity", str(stand.key("aunt")), "repair", "Main")
    assert said.code in {0, 1}, said.all
    assert tree(roll_folder(stand.yard.root / "Main")) == CARD


@pytest.mark.parametrize("store", MOCK, indirect=True)
def test_what_was_sent_before_encryption_was_on_stays_and_is_told(stand: Stand) -> None:
    stand.configure(on=False)
    first = stand.yard.card("card", CARD)
    stand.yard.offload(first)
    stand.upload()
    stand.configure()
    stand.show()
    second = stand.yard.card("second", {"DCIM/BOAT0009.MP4": clip(9)})
    stand.yard.offload(second)
    assert stand.upload().sent_files == 1
    assert stand.yard.verdict(first).may_wipe
    assert stand.yard.verdict(second).may_wipe
    said = typed(stand.yard, "place", "list")
    assert "4 files were sent before encryption was on: the store can read them" in " ".join(
        said.out.split()
    )
    assert "the store can read them" in " ".join(typed(stand.yard, "keys").out.split())
    assert "Off site: 4 files were sent before encryption was on" in " ".join(
        typed(stand.yard, "gaps").out.split()
    )
    with stand.yard.keeper() as keeper:
        assert keeper.verify("Off site", progress=QUIET).all_well


@pytest.mark.parametrize("store", MOCK, indirect=True)
def test_with_the_catalog_lost_a_key_brings_the_belief_back(stand: Stand) -> None:
    stand.show()
    card = stand.yard.card("card", CARD)
    stand.yard.offload(card)
    stand.upload()
    objects = stand.objects()
    with closing(sqlite3.connect(stand.yard.root / "catalog.sqlite")) as connection, connection:
        connection.execute("DELETE FROM encrypted")  # as where only the drives told what there was
        connection.execute("DELETE FROM facts WHERE way IN (1, 4, 5)")
    outcome = stand.upload()  # nobody can say what stands there
    assert outcome.sent_files == 0
    assert len(outcome.troubles) == 4
    assert all("is encrypted, and there is no key here" in one.message for one in outcome.troubles)
    assert not stand.yard.verdict(card).may_wipe
    stand.configure(key="kitchen")
    assert stand.upload().troubles == ()
    assert stand.yard.verdict(card).may_wipe
    assert {key: data for key, data in stand.objects().items() if key in objects and
            ".backupkeeper" not in key} == {
        key: data for key, data in objects.items() if ".backupkeeper" not in key}  # fmt: skip


@pytest.mark.parametrize("hide", [False, True], ids=["names readable", "names hidden"])
@pytest.mark.parametrize("store", STORES, indirect=True)
def test_with_the_drives_gone_everything_comes_back_with_one_of_the_keys(
    stand: Stand, hide: bool, tmp_path: Path
) -> None:
    stand.configure(hide=hide)
    stand.show()
    stand.yard.offload(stand.yard.card("card", CARD))
    stand.yard.offload(stand.yard.card("sound", {"A.WAV": clip(5)}), source="Recorder")
    stand.upload()
    for drive in ("Main", "Travel"):
        (stand.yard.root / drive).rename(tmp_path / f"lost {drive}")
    (tmp_path / "new").mkdir()
    asked = ("restore", "--all", "--to", str(tmp_path / "new"), "--yes")
    said = typed(stand.yard, *asked)
    assert said.code == 3, said.all
    told = " ".join(said.all.split())
    assert told.count("is encrypted, and there is no key here") == 4, (
        "once for each file with bytes"
    )
    assert told.count("Name the file with the key") == 1, "what to do is told once"
    assert not stand.harmed()
    assert tree(roll_folder(tmp_path / "new")) == {"MISC/EMPTY.DAT": b""}, "that one has no bytes"
    said = typed(stand.yard, "--identity", str(stand.key("aunt")), *asked)
    assert said.code == 0, said.all
    assert tree(roll_folder(tmp_path / "new")) == CARD
    assert tree(roll_folder(tmp_path / "new", source="Recorder")) == {"A.WAV": clip(5)}
    times = {
        name: (roll_folder(root) / name).stat().st_mtime_ns
        for root in (tmp_path / "lost Main", tmp_path / "new")
        for name in CARD
    }
    lost = roll_folder(tmp_path / "lost Main")
    assert times == {name: (lost / name).stat().st_mtime_ns for name in CARD}
    assert (roll_folder(tmp_path / "new") / "ascmhl").is_dir()


@pytest.mark.parametrize("store", STORES, indirect=True)
def test_on_an_empty_machine_a_key_and_the_bucket_are_enough(
    stand: Stand, store: Server, tmp_path: Path
) -> None:
    stand.configure(hide=True)
    stand.show()
    stand.yard.offload(stand.yard.card("card", CARD))
    stand.upload()
    (tmp_path / "elsewhere").mkdir()
    empty = Stand(Yard(tmp_path / "elsewhere"), store, stand.bucket)  # encrypts nothing itself
    source = ("rebuild", "--from", f"s3://{stand.bucket}/footage", "--endpoint", store.url)
    said = typed(empty.yard, *source)
    assert said.code != 0
    assert "is encrypted, and there is no key here" in " ".join(said.all.split())
    key = ("--identity", str(empty.key("aunt")))
    said = typed(empty.yard, *key, *source)
    assert said.code in {0, 1}, said.all
    (tmp_path / "new").mkdir()
    said = typed(
        empty.yard, *key, "restore", "--all", "--to", str(tmp_path / "new"), "--from", "Off site",
        "--yes",
    )  # fmt: skip
    assert said.code == 0, said.all
    assert tree(roll_folder(tmp_path / "new")) == CARD
