"""The program is killed at each step between a plain file and its object: nothing wrong ever counts."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from backupkeeper.actions.online import MARKER_PATH
from backupkeeper.core.age import INTRO
from backupkeeper.core.model import Role
from backupkeeper.transfer.age import decrypted, identities_from, new_identity
from tests.real.store import Server
from tests.stories.yard import QUIET, Yard, clip

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {"DCIM/BOAT0001.MP4": clip(1, 9_000_000), "DCIM/BOAT0001.XML": b"<clip/>"}
STEPS = [
    ("system.files.RealFiles", "create", 1),
    ("system.files.RealFiles", "write_at", 2),
    ("system.files.RealFiles", "sync", 1),
    ("system.files.RealFiles", "rename_new", 1),
    ("system.files.RealFiles", "sync_folder", 1),
    ("catalog.encrypted.SharedEncrypted", "put_encrypted", 1),
    ("cloud.s3.S3Bucket", "send", 1),
    ("system.files.RealFiles", "unlink", 1),
    ("catalog.store.SqliteCatalog", "record", 1),
]
"""What is called there, in the order in which it comes; it dies before it is done."""
PROGRAM = """
import importlib, os, signal, sys
where, name, left = sys.argv[1], sys.argv[2], int(sys.argv[3])
module, _, owner = where.rpartition(".")
owner = getattr(importlib.import_module(f"backupkeeper.{module}"), owner)
inner = getattr(owner, name)
def dying(*args, **named):
    global left
    left -= 1
    if not left:
        os.kill(os.getpid(), signal.SIGKILL)
    return inner(*args, **named)
setattr(owner, name, dying)
from backupkeeper.cli.main import main
main(["--config", sys.argv[4], "upload"])
"""


@pytest.mark.slow
def test_killed_at_every_step_it_goes_on_and_all_arrives_encrypted(
    moto: Server, credentials: object, tmp_path: Path
) -> None:
    key, name = new_identity(), moto.new_bucket()
    secret = tmp_path / "key.txt"
    secret.write_text(str(key._secret))
    yard = Yard(
        tmp_path,
        policy=f"distinct_devices = false\n[upload]\nencrypt_to = {json.dumps([key.recipient])}",
    )
    yard.drives()
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{name}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=moto.url,
            profile=None,
        )
        keeper.show_keys([str(secret)], where="in the safe")
    card = yard.card("card", CARD)
    yard.offload(card)
    for where, call, number in STEPS:
        done = subprocess.run(
            [
                sys.executable,
                "-c",
                PROGRAM,
                where,
                call,
                str(number),
                str(tmp_path / "config.toml"),
            ],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
        )
        assert done.returncode == -signal.SIGKILL, (call, done.stdout, done.stderr)
        for stands in moto.keys(name):
            body = moto.client.get_object(Bucket=name, Key=stands)["Body"].read()
            assert body.startswith(INTRO) or stands.endswith(f"/{MARKER_PATH}")
        assert not yard.verdict(card).may_wipe
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert outcome.troubles == ()
    assert yard.verdict(card).may_wipe
    keys = identities_from(secret.read_bytes(), "key.txt")
    found = {
        stands.rpartition("/")[2]: decrypted(
            moto.client.get_object(Bucket=name, Key=stands)["Body"].read(), keys, stands
        )
        for stands in moto.keys(name)
        if "DCIM" in stands
    }
    assert found == {f"{path[5:]}.age": data for path, data in CARD.items()}
    assert list(tmp_path.glob("catalog.sqlite.spool/*/*")) == []
    with yard.keeper() as keeper:
        assert keeper.verify("Off site", progress=QUIET).all_well
