"""The third place over TLS: the whole way of the bytes, and certificates that don't check.

Over TLS the store is asked just as without it: boto3's own trailing checksums, which the real store
answers with 411 there (SEEN section 1), stay off, and the body's hash is signed.
"""

import hashlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from backupkeeper.core.errors import AttestationRefusedError, BucketUnreachableError
from backupkeeper.core.model import Role, Way
from tests.real.store import Opener, Server, blocks_of, content_of, made_up, raw_client
from tests.stories.yard import QUIET, SHOOT, Yard, clip
from tests.world.certificates import new_certificate
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 17_000_001),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/odd + %41 & é #.XML": b"<clip/>\n",
    "MISC/EMPTY.DAT": b"",
}
UNTRUSTED = r"The connection to https://127\.0\.0\.1:\d+ can't be trusted: its certificate"


@pytest.fixture(scope="module")
def strict_https(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """The strict store, over TLS and without: one world behind two doors."""
    certificate = new_certificate(tmp_path_factory.mktemp("certificates"))
    world = World()
    with (
        strict_store(world) as url,
        strict_store(world, certificate=certificate) as https,
    ):
        yield Server(
            name="strict", url=url, client=raw_client(url), https=https, certificate=certificate
        )


@pytest.fixture(
    params=[
        pytest.param("radosgw", id="a real store", marks=pytest.mark.real("store")),
        pytest.param("strict_https", id="the strict store"),
    ]
)
def store(request: pytest.FixtureRequest, credentials: pytest.MonkeyPatch) -> Server:
    server: Server = request.getfixturevalue(request.param)
    credentials.setenv("AWS_CA_BUNDLE", server.certificate)
    return server


def add_bucket(yard: Yard, store: Server, bucket: str) -> None:
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=store.https,
            profile=None,
        )


def test_up_proven_verified_and_back_over_tls(tmp_path: Path, store: Server) -> None:
    bucket = store.new_bucket()
    yard = Yard(tmp_path, policy="distinct_devices = false")
    yard.drives()
    add_bucket(yard, store, bucket)
    card = yard.card("card", CARD)
    yard.offload(card)
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    assert (outcome.sent_files, outcome.troubles, outcome.fetched_back) == (4, (), None)
    verdict = yard.verdict(card)
    assert verdict.may_wipe
    assert {file.roles[Role.CLOUD].proof for file in verdict.files} == {Way.ATTESTED}
    with yard.keeper() as keeper:
        assert keeper.verify("Off site", progress=QUIET).all_well
        place = next(one for one in keeper.context.catalog.places() if one.name == "Off site")
        there = keeper.context.open_bucket(place)
        for path, data in CARD.items():
            key = f"{SHOOT}/Originals/Wide/Roll 01/{path}"
            assert b"".join(there.fetch(key)) == data
    assert store.uploads(bucket) == []


def test_the_hash_of_every_part_is_signed_over_tls_and_a_wrong_part_is_refused(
    opened: Opener, store: Server
) -> None:
    """boto3 would send UNSIGNED-PAYLOAD here by itself; a proof rests on the hash."""
    name = store.new_bucket()
    bucket = opened(store.https, name)
    seen: list[str] = []
    rots = False

    def look(request: Any, **_: object) -> None:
        seen.append(request.headers["x-amz-content-sha256"].decode())
        if rots:
            request.body.getbuffer()[-1] ^= 1

    assert "x-amz-content-sha256" in bucket.capabilities().refuses_wrong
    bucket._store.client.meta.events.register("before-send.s3.UploadPart", look)
    data = made_up(17_000_001)
    part = 8 * 1024 * 1024
    sent = bucket.send("A001.MP4", content_of(data), blocks_of(data))
    assert "x-amz-content-sha256" in sent.attested_by
    pieces = [data[at : at + part] for at in range(0, len(data), part)]
    assert sorted(seen) == sorted(hashlib.sha256(piece).hexdigest() for piece in pieces)
    rots = True
    with pytest.raises(AttestationRefusedError):
        bucket.send("A002.MP4", content_of(data), blocks_of(data))
    assert store.keys(name) == ["A001.MP4"]


@pytest.mark.parametrize("wrong", ["no certificate named", "another certificate"])
def test_a_certificate_that_nobody_vouches_for_is_told(
    opened: Opener, store: Server, credentials: pytest.MonkeyPatch, tmp_path: Path, wrong: str
) -> None:
    if wrong == "no certificate named":
        credentials.delenv("AWS_CA_BUNDLE")
    else:
        credentials.setenv("AWS_CA_BUNDLE", new_certificate(tmp_path, name="another"))
    bucket = opened(store.https, store.new_bucket(), attempts=1)
    for deed in (bucket.capabilities, lambda: bucket.look("A001.MP4")):
        with pytest.raises(BucketUnreachableError, match=UNTRUSTED) as caught:
            deed()
        assert "AWS_CA_BUNDLE" in caught.value.advice
        assert caught.value.exit_code == 3


def test_a_certificate_for_another_address_is_told(
    opened: Opener, credentials: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    certificate = new_certificate(tmp_path, address="192.0.2.7")
    with strict_store(World(), certificate=certificate) as url:
        credentials.setenv("AWS_CA_BUNDLE", certificate)
        with pytest.raises(BucketUnreachableError, match=UNTRUSTED):
            opened(url, "boatyard", attempts=1).look("A001.MP4")


def test_what_a_person_reads_and_nothing_is_added(tmp_path: Path, strict_https: Server) -> None:
    environment = {
        "HOME": str(tmp_path),
        "PATH": os.environ["PATH"],
        "LC_ALL": "C.UTF-8",
        "AWS_ACCESS_KEY_ID": "testaccess",
        "AWS_SECRET_ACCESS_KEY": "testsecret",
    }

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "backupkeeper", *words],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            stdin=subprocess.DEVNULL,
        )

    bucket = f"s3://{strict_https.new_bucket()}/footage"
    added = ("place", "add", bucket, "--role", "cloud", "--name", "Off site")
    done = run(*added, "--endpoint", strict_https.https)
    assert (done.returncode, done.stdout) == (3, "")
    assert "can't be trusted: its certificate does not check" in done.stderr
    assert "Off site" not in run("place", "list").stdout
    environment["AWS_CA_BUNDLE"] = strict_https.certificate
    done = run(*added, "--endpoint", strict_https.https)
    assert done.returncode == 0, done.stderr
