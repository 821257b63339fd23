"""What of an environment other programs get."""

import pytest

from backupkeeper.core.environ import without_keys


@pytest.mark.parametrize(
    "name",
    [
        "AWS_ACCESS_KEY_ID",
        "AWS_SECRET_ACCESS_KEY",
        "AWS_SESSION_TOKEN",
        "AWS_SECURITY_TOKEN",
        "AWS_CONTAINER_AUTHORIZATION_TOKEN",
        "aws_secret_access_key",
    ],
)
def test_a_buckets_keys_are_taken_out(name: str) -> None:
    assert without_keys({name: "x", "HOME": "/home/me"}) == {"HOME": "/home/me"}


@pytest.mark.parametrize("name", ["AWS_PROFILE", "AWS_REGION", "KEY", "MY_TOKEN", "XAUTHORITY", ""])
def test_what_is_no_key_of_a_bucket_stays(name: str) -> None:
    assert without_keys({name: "x"}) == {name: "x"}
