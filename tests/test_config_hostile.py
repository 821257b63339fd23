"""Whatever stands in the configuration's file, only ConfigError leaves its parser."""

from dataclasses import fields

from hypothesis import given, settings, strategies as st

from backupkeeper.config import Config, HashFormat, parse_config
from backupkeeper.core.errors import ConfigError


def parse(text: str) -> Config:
    return parse_config(text, "config.toml", home="/home/me", state_home="/home/me/.local/state")


@settings(deadline=None)
@given(st.text(max_size=200))
def test_whatever_the_text_only_a_config_error_leaves(text: str) -> None:
    try:
        parse(text)
    except ConfigError as error:
        assert error.faults  # noqa: PT017 - either way is right


KEYS = [
    *("catalog", "policy", "layout", "manifest", "upload", "path", "wipe_needs", "roles"),
    *("distinct_devices", "proof_days_drive", "roll", "formats", "author", "addressing"),
    *("parallel_parts", "password", "a.b", "", "\x1b", "x" * 300),
]
LEAVES = st.one_of(
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    st.sampled_from(["primary", "xxh128", "auto", "/x", "{shoot}/{source}/{roll}"]),
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner),
    max_leaves=12,
)


def toml(value: object) -> str:
    """A value as inline TOML 1.0, a writer of the tests' own."""
    match value:
        case bool():
            return str(value).lower()
        case int():
            return str(value)
        case float():
            return {"inf": "inf", "-inf": "-inf", "nan": "nan"}.get(str(value), repr(value))
        case str():
            return '"' + "".join(f"\\U{ord(letter):08x}" for letter in value) + '"'
        case list():
            return f"[{', '.join(map(toml, value))}]"
        case dict():
            return "{" + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + "}"
        case _:
            raise AssertionError(value)


@settings(deadline=None)
@given(st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=6))
def test_whatever_the_values_they_are_right_or_only_a_config_error_leaves(
    values: dict[str, object],
) -> None:
    text = "".join(f"{toml(key)} = {toml(value)}\n" for key, value in values.items())
    try:
        config = parse(text)
    except ConfigError as error:
        assert error.faults  # noqa: PT017 - either way is right
        return
    assert config.policy.wipe_needs
    assert config.policy.roles
    assert HashFormat.XXH128 in config.manifest.formats
    assert set(values) <= {field.name for field in fields(Config)}
