"""Damaged copies mended on real file systems, from real drives and a real bucket, by hand and alone."""

import json
import os
import signal
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.core.model import BLOCK_BYTES, Role
from backupkeeper.core.outcomes import Finding
from tests.real.daemon_stand import DaemonStand
from tests.real.main_job_parts import Fs, kinds, take_in
from tests.real.store import Server
from tests.stories.typed import offloaded, typed
from tests.stories.yard import QUIET, Yard, clip, roll_folder, rot

pytest_plugins = ["tests.real.main_job_fixtures", "tests.real.store_fixtures"]
pytestmark = pytest.mark.slow
CLIP = "DCIM/100BOATY/BOAT0001.MP4"
CARD = {CLIP: clip(1, 3 * BLOCK_BYTES + 77), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
ROLL = "260612 Boatyard/Originals/Wide/Roll 01"


def kept(drive: Path) -> list[Path]:
    folder = drive / ".backupkeeper/set-aside"
    return [path for path in folder.rglob("*") if path.is_file() and path.name != "note.json"]


@pytest.mark.parametrize(
    ("one", "other"),
    [kinds("ext4", "xfs"), kinds("xfs", "ext4"), kinds("exfat", "ext4"), kinds("exfat", "exfat")],
)
def test_a_bad_block_is_mended_from_the_other_drive(
    yard: Yard, fs: Fs, one: str, other: str
) -> None:
    drive, spare = fs(one), fs(other)
    main = take_in(yard, drive, "primary", "Main")
    take_in(yard, spare, "secondary", "Travel")
    assert offloaded(yard, yard.card("card", CARD)).code == 0
    hurt = roll_folder(main) / CLIP
    rot(hurt, BLOCK_BYTES + 5, b"\xa5" * 4096)
    bad = hurt.read_bytes()
    drive.remount()
    assert typed(yard, "verify", "Main").code == 1
    said = typed(yard, "repair", "--json")
    assert said.code == 0, said.all
    (mended,) = said.json["mended"]
    assert mended["damage"] == [[BLOCK_BYTES + 5, BLOCK_BYTES + 5 + 4096]]
    assert (mended["taken_bytes"], mended["kept_whole"]) == ({"Travel": BLOCK_BYTES}, True)
    assert hurt.read_bytes() == CARD[CLIP]
    drive.remount()
    assert hurt.read_bytes() == CARD[CLIP]
    assert [path.read_bytes() for path in kept(main)] == [bad]
    assert typed(yard, "verify").code == 0
    chain = (roll_folder(main) / "ascmhl/ascmhl_chain.xml").read_text()
    assert chain.count("<hashlist ") == 4, "the offload, the find, the repair, and the last verify"
    told = min((roll_folder(main) / "ascmhl").glob("0003*.mhl")).read_text()
    assert 'action="verified"' in told


@pytest.mark.real("store")
@pytest.mark.usefixtures("credentials")
def test_one_block_comes_from_the_bucket_and_nothing_else_of_it(
    tmp_path: Path, radosgw: Server
) -> None:
    """With the real server's own count of what it sent out: the fetched span and little more."""
    size = 40 * BLOCK_BYTES + 1
    yard = Yard(tmp_path, policy="distinct_devices = false")
    main, travel = yard.drives()
    radosgw.client.create_bucket(Bucket="mending-story")
    with yard.keeper() as keeper:
        keeper.add_bucket(
            "s3://mending-story/footage",
            role=Role.CLOUD, name="Off site", endpoint=radosgw.url, profile=None,
        )  # fmt: skip
    yard.offload(yard.card("card", {CLIP: clip(3, size)}))
    with yard.keeper() as keeper:
        keeper.upload(progress=QUIET)
    for drive in (main, travel):
        rot(roll_folder(drive) / CLIP, 7 * BLOCK_BYTES + 100, drive.name.encode())
    yard.verify()
    outcome = yard.repair()
    assert next(one.taken for one in outcome.mended) == {"Off site": BLOCK_BYTES}
    assert len(outcome.mended) == 2
    assert outcome.fetched_bytes == {"Off site": BLOCK_BYTES}, (
        "the second drive had it from the first"
    )
    assert (roll_folder(main) / CLIP).read_bytes() == clip(3, size)


@pytest.mark.real("store")
@pytest.mark.usefixtures("credentials")
def test_a_damaged_object_is_set_aside_and_sent_anew(tmp_path: Path, radosgw: Server) -> None:
    yard = Yard(tmp_path, policy="distinct_devices = false")
    yard.drives()
    radosgw.client.create_bucket(Bucket="object-story")
    with yard.keeper() as keeper:
        keeper.add_bucket(
            "s3://object-story/footage",
            role=Role.CLOUD, name="Off site", endpoint=radosgw.url, profile=None,
        )  # fmt: skip
    yard.offload(yard.card("card", CARD))
    with yard.keeper() as keeper:
        keeper.upload(progress=QUIET)
    key = f"footage/{ROLL}/{CLIP}"
    bad = bytearray(CARD[CLIP])
    bad[100:600] = bytes(b ^ 0xFF for b in bad[100:600])
    radosgw.client.put_object(Bucket="object-story", Key=key, Body=bytes(bad))
    (found,) = yard.verify("Off site").checked
    assert found.finding is Finding.DAMAGED
    left = yard.repair()
    assert not left.mended
    assert "repair 'Off site'" in left.left[0]
    (mended,) = yard.repair("Off site").mended
    assert mended.proven
    object_now = radosgw.client.get_object(Bucket="object-story", Key=key)["Body"].read()
    assert object_now == CARD[CLIP]
    aside = radosgw.client.get_object(Bucket="object-story", Key=f"footage/{mended.set_aside}")
    assert aside["Body"].read() == bytes(bad)
    assert yard.gaps_of("Roll 01") == ()
    assert yard.verify("Off site").all_well


@pytest.mark.real("ext4", "xfs")
def test_the_daemon_finds_rot_in_the_night_of_its_proof_and_mends_it(tmp_path: Path) -> None:
    more = '[proofs]\nwindow = ""\n'
    with DaemonStand(tmp_path, more=more) as stand:
        main = stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        card = stand.card("ext4", CARD)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
        hurt = Path(main.point) / ROLL / CLIP
        rot(hurt, BLOCK_BYTES + 5, b"\xa5" * 512)
        main.remount()
        stand.ahead = timedelta(days=80)
        with stand.running() as daemon:
            daemon.wait_for(f"Damage on Main: {ROLL}", f"repair {ROLL} on Main: Mended 1 files")
            assert hurt.read_bytes() == CARD[CLIP]
            assert len(kept(Path(main.point))) == 1
            daemon.until(
                lambda: json.loads(stand.typed("status", "--json", code=None))["damage"] == [],
                "the damage is still told",
            )


@pytest.mark.real("ext4", "xfs")
def test_the_daemon_leaves_a_drive_in_doubt_alone_until_it_is_plugged_in_again(
    tmp_path: Path,
) -> None:
    files = {f"DCIM/B{n:04}.MP4": clip(n, 90_000) for n in range(12)}
    more = '[proofs]\nwindow = ""\n'
    with DaemonStand(tmp_path, more=more) as stand:
        main = stand.drive("ext4", "primary", "Main")
        stand.drive("xfs", "secondary", "Travel")
        card = stand.card("ext4", files)
        with stand.running() as daemon:
            card.mount(options="ro")
            daemon.wait_for("this card may be wiped")
        for n in range(8):
            rot(Path(main.point) / ROLL / f"DCIM/B{n:04}.MP4", 100, b"rot")
        main.remount()
        stand.ahead = timedelta(days=80)
        with stand.running() as daemon:
            daemon.wait_for("The drive Main is in doubt as a whole", "do NOT wipe this card")
            daemon.wait_for(
                f"proof {ROLL} on Travel: Proved 12 files again",
                f"proof {ROLL} on Main: Proved 0 files again; 5 are not",
            )
            assert not any("Mended" in said for said in daemon.said())
            begun = [one for one in daemon.said() if f"proof {ROLL} on Main begins" in one]
            assert len(begun) == 1
            for n in range(8):  # by another cable all comes right
                rot(
                    Path(main.point) / ROLL / f"DCIM/B{n:04}.MP4", 100,
                    files[f"DCIM/B{n:04}.MP4"][100:103],
                )  # fmt: skip
            main.replug()
            daemon.until(
                lambda: any("Proved 7 files again." in said for said in daemon.said()),
                "what was not read before is not read again",
            )


@pytest.mark.real("ext4", "strace")
@pytest.mark.parametrize(
    ("call", "when"),
    [
        *[("linkat", 1), ("rename", 1), ("rename", 2), ("mkdir", 2)],
        *[("fsync", 2), ("fsync", 5), ("fsync", 8), ("pwrite64", 3), ("fdatasync", 4)],
        *[("utimensat", 1), ("unlink", 1)],
    ],
)
def test_killed_at_a_system_call_the_name_holds_the_old_file_or_the_new(
    yard: Yard, call: str, when: int
) -> None:
    main, _ = yard.drives()
    assert offloaded(yard, yard.card("card", CARD)).code == 0
    hurt = roll_folder(main) / CLIP
    rot(hurt, BLOCK_BYTES + 5, b"\xa5" * 4096)
    bad = hurt.read_bytes()
    assert typed(yard, "verify", "Main").code == 1
    command = [sys.executable, "-m", "backupkeeper", "--config", str(yard.root / "config.toml")]
    trap = f"inject={call}:signal=KILL:when={when}"
    done = subprocess.run(
        ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", trap, *command,
         "repair"],
        check=False, capture_output=True, timeout=60, env=os.environ | {"HOME": str(yard.root)},
    )  # fmt: skip
    assert done.returncode in {-signal.SIGKILL, 0}, done.stderr.decode()
    there = hurt.read_bytes()
    assert there in {bad, CARD[CLIP]}
    copies = [path.read_bytes() for path in kept(main) if not path.name.endswith(".part")]
    assert all(data == bad for data in copies)
    if there == CARD[CLIP]:
        assert copies
    assert typed(yard, "repair").code == 0
    assert typed(yard, "verify").code == 0
    assert hurt.read_bytes() == CARD[CLIP]
