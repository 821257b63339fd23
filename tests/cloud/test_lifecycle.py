"""Lifecycle rules: what they mean for us, and that adding one loses none."""

from typing import Any

import pytest

from backupkeeper.cloud.lifecycle import RULE_ID, Rules, _keeps_all, our_rule, rules_for
from backupkeeper.core.bucket_findings import Word
from backupkeeper.core.errors import ListingError, UsageError
from tests.real.store import Opener, Server

pytest_plugins = ["tests.real.store_fixtures"]


def rule(number: int = 1, *, prefix: str = "", **does: Any) -> dict[str, Any]:
    return {"ID": f"theirs-{number}", "Status": "Enabled", "Filter": {"Prefix": prefix}} | does


def aborting(days: int = 40, **more: Any) -> dict[str, Any]:
    return rule(AbortIncompleteMultipartUpload={"DaysAfterInitiation": days}, **more)


def expiring(days: int = 90, **more: Any) -> dict[str, Any]:
    return rule(Expiration={"Days": days}, **more)


@pytest.fixture
def name(server: Server) -> str:
    return server.new_bucket()


def put(server: Server, name: str, *rules: dict[str, Any]) -> None:
    whole: Any = {"Rules": list(rules)}
    server.client.put_bucket_lifecycle_configuration(Bucket=name, LifecycleConfiguration=whole)


def ruled(server: Server, name: str) -> list[Any]:
    return list(server.client.get_bucket_lifecycle_configuration(Bucket=name)["Rules"])


TABLE = {
    "for the whole bucket": (aborting(), Rules(aborts=Word.YES, abort_days=40)),
    "for our prefix": (aborting(prefix="shelf/"), Rules(aborts=Word.YES, abort_days=40)),
    "for what our prefix begins with": (aborting(prefix="she"), Rules(aborts=Word.YES, abort_days=40)),
    "for a part of ours only": (aborting(prefix="shelf/one/"), Rules(aborts=Word.NO)),
    "for another prefix": (aborting(prefix="other/"), Rules(aborts=Word.NO)),
    "turned off": (aborting() | {"Status": "Disabled"}, Rules(aborts=Word.NO)),
    "deletes all": (expiring(), Rules(aborts=Word.NO, deletes_days=90)),
    "deletes some of ours": (expiring(prefix="shelf/260612"), Rules(aborts=Word.NO, deletes_days=90)),
    "deletes what is not ours": (expiring(prefix="other/"), Rules(aborts=Word.NO)),
}  # fmt: skip


@pytest.mark.parametrize("case", sorted(TABLE))
def test_what_a_rule_means_for_us(server: Server, opened: Opener, name: str, case: str) -> None:
    theirs, expected = TABLE[case]
    put(server, name, theirs)
    assert rules_for(opened(server.url, f"{name}/shelf")._store) == expected


def test_a_rule_for_objects_with_a_tag_covers_no_upload(
    server: Server, opened: Opener, name: str
) -> None:
    tagged = {"And": {"Prefix": "shelf/", "Tags": [{"Key": "a", "Value": "b"}]}}
    theirs = expiring() | {"Filter": tagged}
    put(server, name, theirs)
    assert rules_for(opened(server.url, f"{name}/shelf")._store) == Rules(
        aborts=Word.NO, deletes_days=90
    )


def test_the_rule_is_added_where_there_is_none(server: Server, opened: Opener, name: str) -> None:
    bucket = opened(server.url, f"{name}/shelf")
    assert bucket.set_lifecycle_rule()
    (ours,) = ruled(server, name)
    assert ours["ID"] == RULE_ID
    assert ours["AbortIncompleteMultipartUpload"] == {"DaysAfterInitiation": 35}
    assert not bucket.set_lifecycle_rule()
    assert len(ruled(server, name)) == 1


def test_every_rule_that_was_there_stays_as_it_was(
    server: Server, opened: Opener, name: str
) -> None:
    put(
        server,
        name,
        expiring(30, prefix="logs/"),
        rule(2, prefix="old/", NoncurrentVersionExpiration={"NoncurrentDays": 90}),
        aborting(3, prefix="other/", number=3) | {"Status": "Disabled"},
    )
    before = ruled(server, name)
    assert opened(server.url, f"{name}/shelf").set_lifecycle_rule()
    after = ruled(server, name)
    assert len(after) == 4
    assert all(one in after for one in before)


def test_nothing_is_set_where_something_would_be_lost(
    server: Server, opened: Opener, name: str
) -> None:
    put(server, name, expiring(30, prefix="logs/"))
    before = ruled(server, name)
    bucket = opened(server.url, f"{name}/shelf")

    def more(response_dict: dict[str, Any], **_: object) -> None:
        response_dict["body"] = response_dict["body"].replace(
            b"</Rule>", b"<TheirOwn>kept</TheirOwn></Rule>"
        )

    bucket._store.client.meta.events.register_first(
        "before-parse.s3.GetBucketLifecycleConfiguration", more
    )
    with pytest.raises(UsageError, match=r"does not know.*Nothing was changed"):
        bucket.set_lifecycle_rule()
    assert ruled(server, name) == before


def test_a_rule_of_our_name_that_does_something_else_is_left_alone(
    server: Server, opened: Opener, name: str
) -> None:
    put(server, name, expiring(30, prefix="logs/") | {"ID": RULE_ID})
    with pytest.raises(UsageError, match=f"a rule named {RULE_ID} already"):
        opened(server.url, f"{name}/shelf").set_lifecycle_rule()
    assert len(ruled(server, name)) == 1


def test_a_store_that_takes_it_and_keeps_something_else_is_told(
    server: Server, opened: Opener, name: str
) -> None:
    bucket = opened(server.url, f"{name}/shelf")

    def swallow(params: dict[str, Any], **_: object) -> None:
        params["body"] = params["body"].replace(b">35<", b">36<")
        params["headers"].pop("Content-MD5", None)
        params["headers"] = {
            header: value
            for header, value in params["headers"].items()
            if "checksum" not in header.lower()
        }

    bucket._store.client.meta.events.register(
        "before-call.s3.PutBucketLifecycleConfiguration", swallow
    )
    with pytest.raises((ListingError, UsageError)):
        bucket.set_lifecycle_rule()


@pytest.mark.real("store")
def test_without_the_right_nothing_is_set_and_the_sentence_says_so(
    radosgw: Server, opened: Opener, credentials: pytest.MonkeyPatch
) -> None:
    bucket = radosgw.new_bucket()
    credentials.setenv("AWS_ACCESS_KEY_ID", "locked")
    credentials.setenv("AWS_SECRET_ACCESS_KEY", "lockedsecret")
    store = opened(radosgw.url, bucket)
    store._seen_at = store._clock.monotonic()  # HEAD of the bucket is refused too
    with pytest.raises(UsageError, match="not allowed to read the bucket's lifecycle rules"):
        store.set_lifecycle_rule()


def test_the_rule_names_our_prefix() -> None:
    assert our_rule("a/b")["Filter"] == {"Prefix": "a/b/"}
    assert our_rule("")["Filter"] == {"Prefix": ""}


@pytest.mark.parametrize(
    ("came", "goes", "kept"),
    [
        (b"<LifecycleConfiguration><R>1</R></LifecycleConfiguration>", b"<LifecycleConfiguration><R>2</R><R>1</R></LifecycleConfiguration>", True),
        (b"<LifecycleConfiguration><R>1</R><R>1</R></LifecycleConfiguration>", b"<LifecycleConfiguration><R>1</R></LifecycleConfiguration>", False),
        (b"<LifecycleConfiguration><R>1</R></LifecycleConfiguration>", b"<LifecycleConfiguration><S><R>1</R></S></LifecycleConfiguration>", False),
        (b"<LifecycleConfiguration><R>1</R></LifecycleConfiguration>", b"<Other/>", False),
        (b"<Error><Code>NoSuchLifecycleConfiguration</Code></Error>", b"<LifecycleConfiguration/>", True),
        (b"", b"<LifecycleConfiguration/>", False),
        (b"<LifecycleConfiguration>", b"<LifecycleConfiguration/>", False),
        (b'<!DOCTYPE a [<!ENTITY b "c">]><LifecycleConfiguration>&b;</LifecycleConfiguration>', b"<LifecycleConfiguration/>", False),
    ],
)  # fmt: skip
def test_what_came_must_all_go_out_again(came: bytes, goes: bytes, kept: bool) -> None:
    assert _keeps_all(came, goes) is kept
