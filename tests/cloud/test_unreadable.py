"""Answers in XML on which the library itself fails: each is told in an error of ours."""

from collections.abc import Callable

import pytest

from backupkeeper.core.errors import BucketUnreachableError, ListingError
from tests.real.store import Opener
from tests.world.answers import answer
from tests.world.faults import put_in, raising

pytest_plugins = ["tests.real.store_fixtures"]

BODIES = {
    "an error that is a text": "<a><Error>x</Error></a>",
    "a code that is an element": "<Error><Code><b/></Code></Error>",
    "a size that is no number": "<L><Contents><Key>k</Key><Size>x</Size></Contents></L>",
    "a time that is none": "<L><Contents><LastModified>x</LastModified></Contents></L>",
    "an entry without a key": "<L><EncodingType>url</EncodingType><Contents><a/></Contents></L>",
    "an empty entry": "<L><EncodingType>url</EncodingType><Contents/></L>",
    "an answer to something else": "<ListBucketResult><Name>b</Name></ListBucketResult>",
}


@pytest.mark.parametrize("status", [200, 301, 400, 404])
@pytest.mark.parametrize("body", BODIES)
def test_what_the_library_fails_on_is_told_in_an_error_of_ours(
    opened: Opener, body: str, status: int
) -> None:
    bucket = opened("http://127.0.0.1:9", "boatyard/shelf", attempts=1)
    put_in(bucket, "", lambda r: answer(r.url, status, BODIES[body], x_amz_request_id="1"))
    deeds: list[Callable[[], object]] = [
        lambda: list(bucket.listing()),
        bucket.capabilities,
        lambda: bucket.send_small("A001.MP4", b"x"),
    ]
    for deed in deeds:
        with pytest.raises((BucketUnreachableError, ListingError)):
            deed()


@pytest.mark.parametrize("bug", [TypeError("x"), KeyError("x")])
def test_a_bug_of_ours_stays_one(opened: Opener, bug: Exception) -> None:
    bucket = opened("http://127.0.0.1:9", "boatyard/shelf", attempts=1)
    put_in(bucket, "", raising(bug))
    with pytest.raises(type(bug)):
        list(bucket.listing())
