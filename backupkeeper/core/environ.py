"""What of an environment is handed on to other programs."""

import re
from collections.abc import Mapping
from typing import Final

_KEYS: Final = re.compile(r"AWS_\w*(KEY|TOKEN)\w*", re.IGNORECASE)
"""``AWS_ACCESS_KEY_ID``, ``AWS_SECRET_ACCESS_KEY``, ``AWS_SESSION_TOKEN`` and older or rarer ones."""


def without_keys(environ: Mapping[str, str]) -> dict[str, str]:
    """An environment without a bucket's keys: for every program that has no business with a bucket."""
    return {name: value for name, value in environ.items() if not _KEYS.fullmatch(name)}
