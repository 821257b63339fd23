"""Where a person's files belong: the home folder and the XDG ones.

Source: XDG Base Directory Specification 0.8: a path that is not absolute is invalid and ignored.
"""

import os
import pwd
from collections.abc import Mapping


def home_of(environ: Mapping[str, str]) -> str:
    """``HOME``; where it is empty or no absolute path, what the system's user list says."""
    return _absolute(environ, "HOME") or _listed_home()


def config_home(environ: Mapping[str, str]) -> str:
    """The folder for configuration."""
    return _absolute(environ, "XDG_CONFIG_HOME") or os.path.join(home_of(environ), ".config")


def state_home(environ: Mapping[str, str]) -> str:
    """The folder for what a program remembers."""
    return _absolute(environ, "XDG_STATE_HOME") or os.path.join(home_of(environ), ".local/state")


def _absolute(environ: Mapping[str, str], name: str) -> str | None:
    value = environ.get(name, "")
    return value if os.path.isabs(value) else None


def _listed_home() -> str:
    try:
        return pwd.getpwuid(os.getuid()).pw_dir
    except KeyError:  # a user without an entry, as in some containers
        return "/"
