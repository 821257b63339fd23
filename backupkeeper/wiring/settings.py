"""The configuration, from the file that the person keeps.

Promises:
1. A file that was named must exist; without any the defaults hold.
2. Nothing but a plain file of a sensible size is read, whatever stands under the name.
"""

import os
import stat
from collections.abc import Mapping

from backupkeeper.config import Config, parse_config
from backupkeeper.core.errors import ConfigError, ConfigFault
from backupkeeper.wiring.homes import config_home, home_of, state_home

CONFIG_LIMIT_BYTES = 1 << 20
CONFIG_VARIABLE = "BACKUPKEEPER_CONFIG"


def load_config(path: str | None, environ: Mapping[str, str]) -> Config:
    """The configuration: the file named, else ``BACKUPKEEPER_CONFIG``, else the XDG place.

    A file that was named must exist; without any file the defaults hold.

    Raises:
        ConfigError: the file can't be read, or what stands in it can't be used.
    """
    file, text = read_config(path, environ)
    return config_of(text, file, environ)


def config_of(text: str, file: str, environ: Mapping[str, str]) -> Config:
    """What a configuration's text comes to.

    Raises:
        ConfigError: it can't be used.
    """
    return parse_config(text, file, home=home_of(environ), state_home=state_home(environ))


def read_config(path: str | None, environ: Mapping[str, str]) -> tuple[str, str]:
    """The configuration's file (see ``load_config``) and its text.

    Raises:
        ConfigError: the file can't be read.
    """
    named = path or environ.get(CONFIG_VARIABLE)
    file = named or f"{config_home(environ)}/backupkeeper/config.toml"
    try:
        with open(os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as stream:
            if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):  # a pipe may never end
                raise _unreadable(file, "it is no plain file")
            text = stream.read(CONFIG_LIMIT_BYTES + 1).decode("utf-8")
    except FileNotFoundError:
        if named:
            raise _unreadable(file, "there is no such file") from None
        text = ""
    except UnicodeDecodeError:
        raise _unreadable(file, "it is not UTF-8 text") from None
    except OSError as error:
        raise _unreadable(file, error.strerror or "it can't be read") from None
    if len(text) > CONFIG_LIMIT_BYTES:
        raise _unreadable(file, f"it is longer than {CONFIG_LIMIT_BYTES} bytes")
    return file, text


def _unreadable(file: str, why: str) -> ConfigError:
    return ConfigError(file, [ConfigFault(key="file", value=why, wanted="a readable TOML file")])
