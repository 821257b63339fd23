"""What a configuration says of encryption: recipients right to the last letter, and no secret shown."""

import pytest

from backupkeeper.config import Config, parse_config
from backupkeeper.core.errors import ConfigError, ConfigFault

ONE = "age1tl890k2psjly2wq325nxzp9u38x7uuhlrzt7v55styq8mtt57fzsp2af8d"
TWO = "age18k0a6m6mdjr75kudzx7utm389u2t3q9favhsl594y8hu0k2wkdsszmrmqx"
SECRET = "AGE-SECRET-KEY-1D4KXY0TGGNQ905PLM09AJKMXL827AR6P3AEQCSEGLMNMR7A5L2TQ08HU8H"


def parse(text: str) -> Config:
    return parse_config(f"[upload]\n{text}", "c.toml", home="/home/me", state_home="/state")


def fault(text: str) -> ConfigFault:
    with pytest.raises(ConfigError) as caught:
        parse(text)
    (only,) = caught.value.faults
    assert SECRET[20:60].lower() not in str(caught.value).lower()
    return only


def test_recipients_and_hidden_names() -> None:
    upload = parse(f"encrypt_to = ['{ONE}', '{TWO}']\nhide_names = true").upload
    assert upload.encrypt_to == (ONE, TWO)
    assert upload.hide_names
    assert not parse("").upload.encrypt_to


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        pytest.param(f"'{ONE}'", "a list of at most 20", id="a text for a list"),
        pytest.param(f"['{ONE[:-1]}']", "copied whole", id="cut off"),
        pytest.param(f"['{ONE[:-1]}x']", "copied whole", id="a letter copied wrong"),
        pytest.param(f"['{ONE[:9].upper()}{ONE[9:]}']", "copied whole", id="in both cases"),
        pytest.param("['ssh-ed25519 AAAA']", "as age programs write them", id="another kind"),
        pytest.param("[3]", "as age programs write them", id="a number"),
        pytest.param("['']", "as age programs write them", id="nothing"),
        pytest.param(f"['{ONE}', '{ONE.upper()}']", "each recipient once", id="one twice"),
        pytest.param(f"['{SECRET}']", "the public half", id="the secret half"),
        pytest.param(f"['{SECRET.lower()}']", "the public half", id="the secret half, small"),
    ],
)
def test_what_is_no_recipient_is_told_with_what_would_be_right(value: str, wanted: str) -> None:
    told = fault(f"encrypt_to = {value}")
    assert told.key == "upload.encrypt_to"
    assert wanted in told.wanted


def test_a_secret_is_shown_nowhere_else_either() -> None:
    for text in (f"spool = '{SECRET}'", f"identity_file = '{SECRET}'", f"windows = ['{SECRET}']"):
        assert "(not shown)" in fault(text).value


def test_names_are_hidden_only_where_something_is_encrypted() -> None:
    told = fault("hide_names = true")
    assert (told.key, "encrypt_to" in told.wanted) == ("upload.hide_names", True)
