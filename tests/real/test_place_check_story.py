"""A bucket is checked when it is taken in and before uploads; a public one gets nothing."""

from datetime import timedelta
from pathlib import Path

import pytest

from backupkeeper.actions.online import MARKER_PATH
from backupkeeper.actions.place_check import checks, reminders
from backupkeeper.actions.upload import upload_roll
from backupkeeper.core.bucket_findings import BELIEVED_FOR
from backupkeeper.core.errors import PublicBucketError, UsageError
from backupkeeper.core.model import Event, EventKind, Role
from backupkeeper.core.outcomes import PlaceCheck, UploadOutcome
from backupkeeper.report import exits
from tests.real.store import Server
from tests.stories.yard import QUIET, Yard, clip

pytest_plugins = ["tests.real.store_fixtures"]
pytestmark = pytest.mark.real("store")

CARD = {"DCIM/100BOATY/BOAT0001.MP4": clip(1), "DCIM/100BOATY/BOAT0002.MP4": clip(2)}
PUBLIC = (
    '{"Version":"2012-10-17","Statement":[{"Effect":"Allow","Principal":"*",'
    '"Action":"s3:GetObject","Resource":"arn:aws:s3:::%s/*"}]}'
)


@pytest.fixture
def bucket(radosgw: Server) -> str:
    return radosgw.new_bucket()


@pytest.fixture
def yard(tmp_path: Path, radosgw: Server, credentials: None) -> Yard:
    yard = Yard(tmp_path, policy="distinct_devices = false")
    yard.drives()
    return yard


def add(yard: Yard, server: Server, bucket: str) -> None:
    with yard.keeper() as keeper:
        keeper.add_bucket(
            f"s3://{bucket}/footage",
            role=Role.CLOUD,
            name="Off site",
            endpoint=server.url,
            profile=None,
        )


def check(yard: Yard) -> PlaceCheck:
    with yard.keeper() as keeper:
        return keeper.check_place("Off site", progress=QUIET)


def upload(yard: Yard) -> UploadOutcome:
    with yard.keeper() as keeper:
        (outcome,) = keeper.upload(progress=QUIET)
    return outcome


def daemon_upload_is_refused(yard: Yard) -> bool:
    with yard.keeper() as keeper:
        (roll,) = keeper.context.catalog.rolls()
        main, _, cloud = (place.id for place in keeper.context.catalog.places())
        with pytest.raises(PublicBucketError):
            upload_roll(keeper.context, roll.id, bucket=cloud, source=main, progress=QUIET)
    return True


def told(yard: Yard) -> tuple[str, ...]:
    with yard.keeper() as keeper:
        # The yard's clock stands in June, and the store's does not.
        return tuple(one for one in reminders(keeper.context) if "clock" not in one)


def times_checked(yard: Yard) -> int:
    with yard.keeper() as keeper:
        return sum(1 for _ in keeper.context.catalog.events((EventKind.CHECKED,)))


def test_a_public_bucket_is_not_taken_in(yard: Yard, radosgw: Server, bucket: str) -> None:
    radosgw.client.put_bucket_policy(Bucket=bucket, Policy=PUBLIC % bucket)
    with pytest.raises(PublicBucketError, match=r"This bucket is public.*repeat this command"):
        add(yard, radosgw, bucket)
    with yard.keeper() as keeper:
        assert [place.name for place in keeper.context.catalog.places()] == ["Main", "Travel"]
    assert radosgw.keys(bucket) == []


def test_nothing_is_sent_to_a_bucket_that_became_public_until_a_check_says_otherwise(
    yard: Yard, radosgw: Server, bucket: str
) -> None:
    add(yard, radosgw, bucket)
    yard.offload(yard.card("card", CARD))
    radosgw.client.put_bucket_policy(Bucket=bucket, Policy=PUBLIC % bucket)
    assert next(one.code for one in check(yard).advice) == "public"
    refused = upload(yard)
    (trouble,) = refused.troubles
    assert "backupkeeper place check 'Off site'" in trouble.message
    assert (refused.sent_files, exits.of_upload([refused])) == (0, 3)
    assert radosgw.keys(bucket) == [f"footage/{MARKER_PATH}"]  # from before
    assert any("This bucket is public" in one for one in told(yard))
    radosgw.client.delete_bucket_policy(Bucket=bucket)
    assert upload(yard).sent_files == 0
    assert daemon_upload_is_refused(yard)
    assert "public" not in [one.code for one in check(yard).advice]
    assert upload(yard).sent_files == 2


@pytest.mark.parametrize("how", ["policy", "grants"])
def test_nothing_is_sent_to_a_bucket_that_became_public_after_its_check(
    how: str, yard: Yard, radosgw: Server, bucket: str
) -> None:
    add(yard, radosgw, bucket)
    yard.offload(yard.card("card", CARD))
    if how == "policy":
        radosgw.client.put_bucket_policy(Bucket=bucket, Policy=PUBLIC % bucket)
    else:
        radosgw.client.put_bucket_acl(Bucket=bucket, ACL="public-read")
    refused = upload(yard)
    assert (refused.sent_files, exits.of_upload([refused])) == (0, 3)
    assert daemon_upload_is_refused(yard)
    assert radosgw.keys(bucket) == [f"footage/{MARKER_PATH}"]  # from before
    assert any("This bucket is public" in one for one in told(yard))


def test_it_is_checked_again_by_itself_once_in_thirty_days_and_not_for_every_upload(
    yard: Yard, radosgw: Server, bucket: str
) -> None:
    add(yard, radosgw, bucket)
    assert (times_checked(yard), told(yard)) == (1, ())
    yard.offload(yard.card("card", CARD))
    upload(yard)
    upload(yard)
    assert times_checked(yard) == 1
    yard.clock.at += BELIEVED_FOR + timedelta(days=1)
    (old,) = told(yard)
    assert old == (
        "Off site was last checked 31 days ago. What it can do is tried before the next upload, or "
        "now: backupkeeper place check 'Off site'"
    )
    upload(yard)
    assert (times_checked(yard), told(yard)) == (2, ())


def test_a_place_that_was_never_checked_is_told_and_checked_before_the_next_upload(
    yard: Yard, radosgw: Server, bucket: str
) -> None:
    add(yard, radosgw, bucket)
    with yard.keeper() as keeper:
        (place,) = checks(keeper.context)
        for detail in ("", "rubbish", '{"form":1}'):
            now = yard.clock.now()
            keeper.context.catalog.note(
                [Event(at=now, kind=EventKind.CHECKED, subject=place, detail=detail)]
            )
            assert "was never checked" in reminders(keeper.context)[0]
    yard.offload(yard.card("card", CARD))
    assert upload(yard).sent_files == 2
    assert told(yard) == ()


def test_what_contradicts_the_memory_has_it_forgotten_and_found_out_anew(
    yard: Yard, radosgw: Server, bucket: str
) -> None:
    add(yard, radosgw, bucket)
    radosgw.client.put_bucket_versioning(
        Bucket=bucket, VersioningConfiguration={"Status": "Enabled"}
    )
    yard.offload(yard.card("card", CARD))
    assert upload(yard).troubles == ()
    with yard.keeper() as keeper:
        (found,) = checks(keeper.context).values()
    # Taken in; forgotten; found out anew, before the snapshot that follows an upload.
    assert times_checked(yard) == 3
    assert found.findings is not None
    assert found.findings.versioning


def test_the_rule_is_added_once_and_the_check_sees_it(
    yard: Yard, radosgw: Server, bucket: str
) -> None:
    add(yard, radosgw, bucket)
    with yard.keeper() as keeper:
        added, found = keeper.set_lifecycle_rule("Off site", progress=QUIET)
        again, _ = keeper.set_lifecycle_rule("Off site", progress=QUIET)
        rule = keeper.lifecycle_rule("Off site")
    assert (added, again, found.findings.abort_days) == (True, False, 35)
    rules = radosgw.client.get_bucket_lifecycle_configuration(Bucket=bucket)["Rules"]
    assert rules == [rule]


@pytest.mark.parametrize(
    ("name", "words"), [("Main", "Main is no bucket"), ("Moon", "No place is called Moon")]
)
def test_only_a_bucket_can_be_checked(yard: Yard, name: str, words: str) -> None:
    with yard.keeper() as keeper, pytest.raises(UsageError, match=words):
        keeper.check_place(name, progress=QUIET)
