"""Where the mail password is kept: a file, a credential of systemd, or the keyring."""

import os
import stat
from collections.abc import Mapping
from importlib import import_module

from backupkeeper.core.errors import ConfigError, ConfigFault

_MOST_BYTES = 4096
_KEY = "mail.password_from"


def read_password(source: str, *, user: str, environ: Mapping[str, str], config: str) -> str:
    """The password.

    Args:
        source: ``file:/path``, ``credential:NAME`` or ``keyring``.
        user: whose it is, for the keyring.
        environ: ``CREDENTIALS_DIRECTORY`` is where systemd puts credentials.
        config: the configuration's file, for messages.

    Raises:
        ConfigError: it is not there, or others could read it.
    """
    kind, _, name = source.partition(":")
    match kind:
        case "file":
            return _from_file(name, config, is_private=True)
        case "credential":
            folder = environ.get("CREDENTIALS_DIRECTORY", "")
            if not folder:
                raise _wrong(config, source, "a service of systemd that is given this credential")
            return _from_file(f"{folder}/{name}", config, is_private=False)
        case _:
            return _from_keyring(user, config)


def _from_file(path: str, config: str, *, is_private: bool) -> str:
    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        with os.fdopen(handle, "rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode):
                raise _wrong(config, f"file:{path}", "a plain file")
            if is_private and found.st_mode & 0o077:
                raise _wrong(config, f"file:{path}", "a file that you alone can read (chmod 600)")
            text = file.read(_MOST_BYTES).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise _wrong(config, f"file:{path}", "a file that can be read") from error
    return text.rstrip("\r\n")


def _from_keyring(user: str, config: str) -> str:
    try:
        found = import_module("keyring").get_password("backupkeeper mail", user)
    except Exception as error:
        wanted = "a keyring that answers (pip install keyring)"
        raise _wrong(config, "keyring", wanted) from error
    if not isinstance(found, str):
        wanted = f"a password for {user} under the name backupkeeper mail in the keyring"
        raise _wrong(config, "keyring", wanted)
    return found


def _wrong(config: str, value: str, wanted: str) -> ConfigError:
    return ConfigError(config, [ConfigFault(key=_KEY, value=value, wanted=wanted)])
