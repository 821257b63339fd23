"""The daemon as a service of the system: the text of its unit, and where that belongs. Pure.

Promises:
1. Whatever stands in a path comes through systemd's own rules of quoting as it is, or is refused.
2. A unit of ours is told by its first line; nothing else is ever replaced or removed.

What was not tried: launchd. The property list follows launchd.plist(5) and was checked for its form
only.
"""

import plistlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from backupkeeper.core.errors import UsageError

OURS: Final = "# Made by backupkeeper: service install makes it anew, service remove takes it away."
NAME: Final = "backupkeeper.service"
AGENT: Final = "backupkeeper.plist"


class Form(StrEnum):
    """Whose service it is."""

    USER = "user"
    """Of one person: runs while they are signed in (or lingers, where they allowed it)."""
    SYSTEM = "system"
    """Of the machine, under one person's name: runs from the start on."""
    AGENT = "agent"
    """Of launchd, on macOS: never tried."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Service:
    """What is to run. ``user`` is whose name a system service runs under."""

    form: Form
    command: tuple[str, ...]
    user: str = ""


def unit_text(service: Service) -> str:
    """The whole unit of systemd.

    Raises:
        UsageError: a path or name can't stand in a unit.
    """
    system = service.form is Form.SYSTEM
    lines = [
        OURS,
        "[Unit]",
        "Description=backupkeeper: copies cards, proves every copy, keeps three of them",
        "StartLimitIntervalSec=600",
        "StartLimitBurst=5",
        "",
        "[Service]",
        "Type=notify",
        f"ExecStart={' '.join([_program(service.command[0]), *map(quoted, service.command[1:])])}",
        "ExecReload=/bin/kill -HUP $MAINPID",
        *([f"User={_user(service.user)}"] if system else []),
        *_RUNNING,
        *_SANDBOX,
        *(_SYSTEM_SANDBOX if system else _USER_SANDBOX),
        "",
        "[Install]",
        f"WantedBy={'multi-user.target' if system else 'default.target'}",
        "",
    ]
    return "\n".join(lines)


_RUNNING: Final = (
    "# The loop says at least once a minute that it lives; counting millions of files takes longer.",
    "WatchdogSec=300",
    "Restart=on-failure",
    "RestartSec=15",
    "# A configuration that can't be used does not get better by trying again.",
    "RestartPreventExitStatus=2",
    "# It ends within five seconds; what is under way is taken up the next time.",
    "TimeoutStopSec=15",
    "# Never in the way of what you do.",
    "Nice=5",
    "IOSchedulingClass=best-effort",
    "IOSchedulingPriority=6",
)
_SANDBOX: Final = (
    "NoNewPrivileges=yes",
    "LockPersonality=yes",
    "RestrictRealtime=yes",
    "RestrictSUIDSGID=yes",
    "SystemCallArchitectures=native",
    "SystemCallFilter=@system-service",
    "SystemCallFilter=~@mount @swap @reboot @module @raw-io @debug",
    "# To show that bytes were read from the medium and not from memory.",
    "SystemCallFilter=mincore cachestat",
    "SystemCallErrorNumber=EPERM",
    "# Network for the bucket and mail, Unix sockets for the desktop and for commands.",
    "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK",
    "# Not set on purpose: MemoryDenyWriteExecute, for Python's ctypes makes a little code in memory.",
)
_USER_SANDBOX: Final = (
    "# The options that make a view of the file system of its own need rights that a person's own",
    "# service often lacks; so none is set here, and none is relied on.",
)
_SYSTEM_SANDBOX: Final = (
    "# Drives may be mounted anywhere, the catalog lies in the home folder: so only the system itself",
    "# is made read-only. A drive or CARD that is plugged in later is writable in here whatever this",
    "# unit says: cards are protected by mounting them read-only, not by this.",
    "ProtectSystem=full",
    "ProtectKernelTunables=yes",
    "ProtectKernelModules=yes",
    "ProtectKernelLogs=yes",
    "ProtectControlGroups=yes",
    "ProtectClock=yes",
    "ProtectHostname=yes",
    "ProtectProc=invisible",
    "PrivateTmp=no",
    "RestrictNamespaces=yes",
    "CapabilityBoundingSet=",
    "AmbientCapabilities=",
    "# Not set on purpose: PrivateDevices (the system's facts about drives are looked up by their",
    "# nodes), ProtectHome (catalog, configuration and perhaps footage lie there), DynamicUser (files",
    "# on drives belong to you for years).",
    "KeyringMode=private",
    "RemoveIPC=yes",
)


def quoted(word: str) -> str:
    """A word of a command line as systemd reads it (systemd.service(5), "Command lines").

    Raises:
        UsageError: it can't be written in a unit.
    """
    if not word or any(ord(one) < 0x20 or ord(one) == 0x7F for one in word):  # noqa: PLR2004 - ASCII control characters
        raise UsageError("A path with a control character can't stand in a service.")
    try:
        word.encode("utf-8")
    except UnicodeEncodeError:
        raise UsageError("A path that is not UTF-8 can't stand in a service.") from None
    inner = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{inner}"'


def _program(path: str) -> str:
    """The program's path: no variable is looked for in it, and some characters systemd refuses.

    Raises:
        UsageError: it can't be written in a unit.
    """
    if '"' in path or "\\" in path:
        raise UsageError(
            "systemd runs no program whose path has a quotation mark or a backslash in it.",
            advice="Install this program in another folder.",
        )
    return quoted(path).replace("$$", "$")


def _user(name: str) -> str:
    """A user's name.

    Raises:
        UsageError: none, or one that can't be.
    """
    plain = name.replace("-", "").replace("_", "").replace(".", "")
    if not plain.isascii() or not plain.isalnum() or name.startswith("-"):
        raise UsageError(
            "A service of the system runs under a person's name.",
            advice="Say whose: backupkeeper service install --system --user NAME",
        )
    return name


def agent_bytes(service: Service) -> bytes:
    """The whole property list of launchd (launchd.plist(5)); never tried."""
    return plistlib.dumps(
        {
            "Label": "backupkeeper",
            "ProgramArguments": list(service.command),
            "RunAtLoad": True,
            "KeepAlive": {"SuccessfulExit": False},
            "ThrottleInterval": 15,
            "ProcessType": "Background",
            "LowPriorityIO": True,
            "Umask": 0o077,
        }
    )


def is_ours(text: bytes, form: Form) -> bool:
    """Whether what stands there was made by this program."""
    if form is Form.AGENT:
        try:
            found = plistlib.loads(text)
        except (plistlib.InvalidFileException, ValueError):
            return False
        return isinstance(found, dict) and found.get("Label") == "backupkeeper"
    return text.startswith(OURS.encode("ascii"))


def path_of(form: Form, *, home: str, config_home: str) -> str:
    """Where the service's file belongs."""
    match form:
        case Form.USER:
            return f"{config_home}/systemd/user/{NAME}"
        case Form.SYSTEM:
            return f"/etc/systemd/system/{NAME}"
        case Form.AGENT:
            return f"{home}/Library/LaunchAgents/{AGENT}"


def commands_to_start(form: Form, path: str) -> tuple[Sequence[str], ...]:
    """What makes the system know of the service, and start it, now and with the machine."""
    match form:
        case Form.USER:
            return (
                ("systemctl", "--user", "daemon-reload"),
                ("systemctl", "--user", "enable", "--now", NAME),
            )
        case Form.SYSTEM:
            return (("systemctl", "daemon-reload"), ("systemctl", "enable", "--now", NAME))
        case Form.AGENT:
            return (("launchctl", "load", "-w", path),)


def commands_to_stop(form: Form, path: str) -> tuple[Sequence[str], ...]:
    """What stops it and makes the system forget that it starts with the machine."""
    match form:
        case Form.USER:
            return (("systemctl", "--user", "disable", "--now", NAME),)
        case Form.SYSTEM:
            return (("systemctl", "disable", "--now", NAME),)
        case Form.AGENT:
            return (("launchctl", "unload", "-w", path),)
