"""Where a bucket is, as a person writes it; and opening it without asking the network."""

import subprocess
import sys
from typing import Any

import pytest
from hypothesis import given, strategies as st

from backupkeeper.cloud.bucket import check_endpoint, open_bucket, parse_location
from backupkeeper.config import Addressing
from backupkeeper.core.errors import UsageError
from tests.real.store import Chance, Opener, StoppedClock

pytest_plugins = ["tests.real.store_fixtures"]


@pytest.mark.parametrize(
    ("text", "bucket", "prefix"),
    [
        ("s3://boatyard", "boatyard", ""),
        ("s3://boatyard/", "boatyard", ""),
        ("s3://boat-yard.two/shelf", "boat-yard.two", "shelf"),
        ("s3://boatyard/shelf/Küste 2/", "boatyard", "shelf/Küste 2"),
    ],
)
def test_a_location_is_taken_apart(text: str, bucket: str, prefix: str) -> None:
    assert parse_location(text) == (bucket, prefix)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("boatyard", "is no bucket"),
        ("http://boatyard", "is no bucket"),
        ("s3://", "can't be the name"),
        ("s3://ab", "can't be the name"),
        ("s3://" + "a" * 64, "can't be the name"),
        ("s3://Boatyard", "can't be the name"),
        ("s3://boat..yard", "can't be the name"),
        ("s3://-boat", "can't be the name"),
        ("s3://boat yard", "can't be the name"),
        ("s3://boatyard/a//b", "can't be the prefix"),
        ("s3://boatyard/../b", "can't be the prefix"),
        ("s3://boatyard/a\nb", "can't be the prefix"),
        ("s3://boatyard/a\\b", "can't be the prefix"),
        ("s3://boatyard/\udcff", "can't be the prefix"),
    ],
)
def test_a_wrong_location_says_what_would_be_right(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        parse_location(text)
    assert caught.value.advice
    assert caught.value.exit_code == 2
    assert str(caught.value).isprintable()


@given(st.text())
def test_whatever_is_written_gives_a_location_or_a_usage_error(text: str) -> None:
    try:
        bucket, prefix = parse_location(f"s3://{text}")
    except UsageError:
        return
    assert 3 <= len(bucket) <= 63
    assert not prefix.startswith("/")


@pytest.mark.parametrize(
    "endpoint", [None, "http://127.0.0.1:9000", "https://store.example", "https://store.example/"]
)
def test_an_address_is_taken(endpoint: str | None) -> None:
    check_endpoint(endpoint)


@pytest.mark.parametrize(
    "endpoint",
    [
        "",
        "store.example",
        "ftp://store.example",
        "http://",
        "http://a:b",
        "http://[",
        "http://a?b",
        "http://me@a",
        "http://a b",
        "http://a\n",
    ],
)
def test_what_is_no_address_says_what_would_be_right(endpoint: str) -> None:
    with pytest.raises(UsageError, match="is no address of an object store"):
        check_endpoint(endpoint)


def test_a_profile_that_is_not_there_is_told(opened: Opener) -> None:
    with pytest.raises(UsageError, match="profile yard") as caught:
        opened("http://127.0.0.1:9", "boatyard", profile="yard")
    assert "~/.aws/config" in caught.value.advice


def test_a_broken_aws_configuration_is_told(
    opened: Opener, monkeypatch: pytest.MonkeyPatch, tmp_path: Any
) -> None:
    (tmp_path / "broken").write_text("[default\n")
    monkeypatch.setenv("AWS_CONFIG_FILE", str(tmp_path / "broken"))
    with pytest.raises(UsageError, match="can't be used"):
        opened("http://127.0.0.1:9", "boatyard")


@pytest.mark.parametrize(
    ("endpoint", "addressing", "address"),
    [
        ("http://store.example", "auto", "http://store.example/boatyard/shelf/a"),
        ("http://store.example", "path", "http://store.example/boatyard/shelf/a"),
        ("http://store.example", "virtual", "http://boatyard.store.example/shelf/a"),
        (None, "auto", "https://boatyard.s3.amazonaws.com/shelf/a"),
        (None, "path", "https://s3.amazonaws.com/boatyard/shelf/a"),
    ],
)
def test_the_bucket_s_name_goes_where_it_was_told(
    credentials: None, endpoint: str | None, addressing: str, address: str
) -> None:
    bucket = open_bucket(
        "s3://boatyard/shelf",
        endpoint=endpoint,
        profile=None,
        clock=StoppedClock(),
        entropy=Chance(),
        addressing=Addressing(addressing),
    )
    asked: list[str] = []

    def note(request: Any, **_: object) -> None:
        asked.append(request.url)
        raise KeyboardInterrupt

    bucket._store.client.meta.events.register("before-send.s3", note)
    with pytest.raises(KeyboardInterrupt):
        bucket.look("a")
    assert asked == [address]


def test_every_request_is_signed_with_the_hash_of_its_body_over_tls_too(credentials: None) -> None:
    bucket = open_bucket(
        "s3://boatyard", endpoint=None, profile=None, clock=StoppedClock(), entropy=Chance()
    )
    headers: list[dict[str, str]] = []

    def note(request: Any, **_: object) -> None:
        headers.append(
            {
                key.lower(): value.decode() if isinstance(value, bytes) else value
                for key, value in request.headers.items()
            }
        )
        raise KeyboardInterrupt

    bucket._store.client.meta.events.register("before-send.s3", note)
    with pytest.raises(KeyboardInterrupt):
        bucket._store.client.put_object(Bucket="boatyard", Key="a", Body=b"")
    # SHA-256 of nothing (FIPS 180-4; STANDARDS section 6)
    assert headers[0]["x-amz-content-sha256"] == (
        "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    )
    assert not any("checksum" in name or name == "x-amz-trailer" for name in headers[0])


@pytest.mark.slow
def test_importing_the_door_does_not_load_boto3() -> None:
    code = "import sys, backupkeeper.cloud.bucket; print('boto3' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout == "False\n"
