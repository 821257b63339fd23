"""Addresses in a configuration: of people, of servers, of this machine itself."""

import re
from ipaddress import ip_address
from typing import Final

from backupkeeper.config.table import wrong
from backupkeeper.config.values import plain_text

_ADDRESS: Final = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9.-]{1,255}")
"""What HTML's e-mail field takes (WHATWG HTML, "valid e-mail address"), for short."""
_HOST: Final = re.compile(r"[^\s/@\x00-\x1f\x7f]{0,255}")


def address(value: object) -> str:
    """One mail address, or nothing."""
    if value != "" and (not isinstance(value, str) or not _ADDRESS.fullmatch(value)):
        wrong("one mail address, such as me@example.org")
    return str(value)


def host(value: object) -> str:
    """The name or address of a server, or nothing."""
    text = plain_text(value)
    if not _HOST.fullmatch(text):
        wrong("the name of a server, such as mail.example.org")
    return text


def own_address(value: object) -> str:
    """An address that can be reached from this machine alone."""
    try:
        is_own = isinstance(value, str) and ip_address(value).is_loopback
    except ValueError:
        is_own = False
    if not is_own:
        wrong('"127.0.0.1" or "::1": the page is for this machine alone')
    return str(value)
