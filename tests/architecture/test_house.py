"""The house's own rules, held by walking syntax trees and by asking the program itself.

What no linter sees: files written past ``ports.Files``, modules without a contract, long files,
names that say nothing, errors without an exit code, words that are not ours, commands that no help
text explains, and a README that speaks of commands that are not there.
"""

import ast
import functools
import importlib
import inspect
import os
import pkgutil
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator

import click
import pytest

import backupkeeper
from backupkeeper.core import errors

HOUSE = os.path.dirname(os.path.abspath(backupkeeper.__file__))
CHECKOUT = os.path.dirname(HOUSE)
LONGEST_FILE = 400
NAMELESS = {"utils", "util", "helpers", "helper", "common", "manager", "misc"}
WRITERS = {"write_text", "write_bytes", "unlink", "rmdir", "rename", "replace", "touch", "mkdir"}
"""Methods of ``pathlib.Path`` that change a disk behind the back of ``ports.Files``."""
STRINGS_HAVE_THEM_TOO = {"replace"}
"""``str.replace`` and ``datetime.replace`` share the name: ruff's PTH and TID rules hold these."""
FILES_PORT = {"mkdir", "rmdir", "unlink", "rename", "touch"}
NOT_OUR_WORDS = {
    r"back(ed|ing)?[- ]?up (copy|copies|file|files|drive|drives|disk|disks)": "copy, place, drive",
    r"ingest(s|ed|ing)?\b": "offload",
    r"memory card": "card",
    r"hard (drive|disk)": "drive",
    r"\bassets?\b": "originals",
    r"checksum file": "checksum list or manifest",
}
"""DESIGN section 2: use these words, and only these. Left: what slips in; right: what to say."""


def modules() -> list[str]:
    """Every source file of the package, relative to the checkout."""
    return sorted(
        os.path.relpath(os.path.join(folder, name), CHECKOUT)
        for folder, _, names in os.walk(HOUSE)
        for name in names
        if name.endswith(".py")
    )


def test_files() -> list[str]:
    """Every source file of the tests, relative to the checkout."""
    return sorted(
        os.path.relpath(os.path.join(folder, name), CHECKOUT)
        for folder, _, names in os.walk(os.path.join(CHECKOUT, "tests"))
        for name in names
        if name.endswith(".py")
    )


@functools.cache
def source(path: str) -> str:
    """Text of one source file."""
    with open(os.path.join(CHECKOUT, path), encoding="utf-8") as file:
        return file.read()


MODULES = modules()
TEST_FILES = test_files()
FILES = [*MODULES, *TEST_FILES]
test_files.__test__ = False  # type: ignore[attr-defined]  # a list of files, not a test


def disk_changes(tree: ast.AST, *, files_port_names: bool) -> Iterator[str]:
    """Calls that change or open a file past ``ports.Files``, as ``line: what``."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
            continue
        name = node.func.attr
        on = ast.unparse(node.func.value)
        if name in WRITERS - STRINGS_HAVE_THEM_TOO and not (
            files_port_names and name in FILES_PORT
        ):
            yield f"{node.lineno}: {on}.{name}"
        if name == "open" and (on.startswith("Path(") or on.endswith(("path", "Path"))):
            yield f"{node.lineno}: {on}.open"


def test_the_house_has_rooms_to_look_at() -> None:
    assert "backupkeeper/core/policy.py" in MODULES
    assert "tests/conftest.py" in TEST_FILES


def test_no_module_changes_a_disk_through_pathlib() -> None:
    found = []
    for path in MODULES:
        tree = ast.parse(source(path))
        imports_pathlib = any(
            isinstance(node, ast.Import | ast.ImportFrom) and "pathlib" in ast.unparse(node)
            for node in ast.walk(tree)
        )
        # ports.Files names its verbs like the system calls, so these names are suspect only where
        # a pathlib.Path can be at hand.
        changes = disk_changes(tree, files_port_names=not imports_pathlib)
        found += [f"{path}:{change}" for change in changes]
    assert found == [], "bytes and names go through ports.Files"


@pytest.mark.parametrize(
    "code",
    [
        "from pathlib import Path\nPath('x').write_text('y')",
        "from pathlib import Path\nPath('x').unlink()",
        "from pathlib import Path\nPath('x').open('w')",
        "def f(path):\n    path.write_bytes(b'')",
    ],
)
def test_the_rule_against_pathlib_writes_catches_one(code: str) -> None:
    assert list(disk_changes(ast.parse(code), files_port_names=False))


def unquoted(code: str) -> Iterator[str]:
    """Values that stand in a command that is shown, and are not quoted as a shell wants it."""
    for node in ast.walk(ast.parse(code)):
        if not isinstance(node, ast.JoinedStr):
            continue
        said = ""
        for part in node.values:
            if isinstance(part, ast.Constant):
                said += str(part.value)
                continue
            value = ast.unparse(part.value) if isinstance(part, ast.FormattedValue) else ""
            is_quoted = value.startswith("typed(") or value in OUR_OWN_WORDS
            if COMMAND.search(said) and not is_quoted:
                yield f"{node.lineno}: {value}"
            said += "WORD"


COMMAND = re.compile(
    r"""(?<!Another )backupkeeper [a-z-]+(?: (?:--[a-z-]+|[a-z-]+|WORD|[A-Z"]+))* ["']?$"""
)
OUR_OWN_WORDS = {"how", "what", "role", "_from(buckets[name])", "_from(one.place)"}
"""Commands and roles; options whose values are quoted where they are put together."""


def test_every_command_that_is_shown_quotes_its_words() -> None:
    """A name may come from a card's label, a marker or another machine's catalog."""
    found = [f"{path}:{one}" for path in MODULES for one in unquoted(source(path))]
    assert found == [], "use core.typed.typed"


@pytest.mark.parametrize(
    "code",
    [
        "f'backupkeeper verify {name}'",
        """f'type: backupkeeper verify "{name}"'""",
        "f'backupkeeper drill {typed(shoot)} --to {folder}'",
    ],
)
def test_the_rule_for_commands_catches_one(code: str) -> None:
    assert list(unquoted(code))


def test_every_module_says_what_it_is_for() -> None:
    silent = [path for path in FILES if not ast.get_docstring(ast.parse(source(path)))]
    assert silent == []


def test_every_file_can_be_read_in_one_go() -> None:
    assert [path for path in FILES if len(source(path).splitlines()) > LONGEST_FILE] == []


def words_of_name(path: str) -> set[str]:
    parts = os.path.splitext(path)[0].split(os.sep)
    return {word for part in parts for word in part.split("_")}


def test_no_module_has_a_name_that_says_nothing() -> None:
    assert [path for path in FILES if NAMELESS & words_of_name(path)] == []


def test_nothing_is_left_for_later() -> None:
    later = re.compile("TO" + "DO|FIX" + "ME|XX" + "X\\b|NotImplemented" + "Error")
    assert [path for path in FILES if later.search(source(path))] == []


def test_every_silenced_check_has_its_reason_beside_it() -> None:
    assert [line for path in FILES for line in silenced_bare(path)] == []


def silenced_bare(path: str) -> list[str]:
    """Lines of a file that silence a check and don't say why."""
    silenced = re.compile(r"#\s*(noqa|type:\s*ignore|pragma:\s*no cover)\b(?P<rest>.*)")
    lines = [*source(path).splitlines(), ""]
    bare, above = [], ""
    for number, line in enumerate(lines):
        if match := silenced.search(line):
            told = re.sub(r"\[[\w, -]*\]|[A-Z]+\d+", "", match["rest"])
            # A reason is a word after the rule's own codes, a comment above, or a branch that the
            # type checker proves impossible.
            if not (
                re.search(r"\b[A-Za-z]{3,}\b", told)
                or above.lstrip().startswith("#")
                or "assert_never" in lines[number + 1]
            ):
                bare.append(f"{path}:{number + 1}: {line.strip()}")
        else:
            above = line
    return bare


def test_only_our_words_are_used() -> None:
    found = {
        f"{path}: {match.group(0)!r}: say {instead}"
        for path in MODULES
        for pattern, instead in NOT_OUR_WORDS.items()
        for match in re.finditer(pattern, source(path), re.IGNORECASE)
    }
    assert found == set()


def every_error() -> list[type[BaseException]]:
    """Every public exception class that any module of the package defines."""
    found: dict[str, type[BaseException]] = {}
    for module in pkgutil.walk_packages([HOUSE], "backupkeeper."):
        if module.name.endswith("__main__"):
            continue
        loaded = importlib.import_module(module.name)
        for name, value in vars(loaded).items():
            if (
                inspect.isclass(value)
                and issubclass(value, BaseException)
                and value.__module__.startswith("backupkeeper.")
                # A private one is a jump inside its own module and never leaves it.
                and not name.startswith("_")
            ):
                found[f"{value.__module__}.{name}"] = value
    return list(found.values())


def test_every_error_stands_in_the_one_tree_with_a_sentence_and_an_exit_code() -> None:
    found = every_error()
    assert errors.ConfigError in found
    for error in found:
        assert issubclass(error, errors.BackupkeeperError), error
        assert error.__name__.endswith("Error"), error
        assert error.exit_code in {2, 3}, error
        assert error.__doc__, error


def test_the_drawn_tree_of_errors_names_every_error() -> None:
    drawn = errors.__doc__ or ""
    missing = [
        name
        for name, value in vars(errors).items()
        if inspect.isclass(value) and issubclass(value, BaseException) and name not in drawn
    ]
    assert missing == []


@pytest.mark.slow
def test_imports_run_downward_only() -> None:
    program = os.path.join(os.path.dirname(sys.executable), "lint-imports")
    done = subprocess.run(
        [program, "--no-cache"], cwd=CHECKOUT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def program() -> click.Group:
    """The command-line program as click sees it, with all of its commands, which are loaded when asked for."""
    group: click.Group = importlib.import_module("backupkeeper.cli.main").main
    context = click.Context(group)
    for name in group.list_commands(context):
        assert group.get_command(context, name) is not None, name
    return group


def commands(group: click.Command, words: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Every command below ``group``, as the words that a person types."""
    yield words
    if isinstance(group, click.Group):
        for name, command in group.commands.items():
            yield from commands(command, (*words, name))


def find(words: tuple[str, ...]) -> click.Command:
    """The command that is called by ``words``."""
    command: click.Command = program()
    for word in words:
        assert isinstance(command, click.Group), words
        command = command.commands[word]
    return command


def test_every_command_and_option_is_explained() -> None:
    unexplained = []
    for words in commands(program()):
        command = find(words)
        name = " ".join(("backupkeeper", *words))
        if not command.help:
            unexplained.append(name)
        unexplained += [
            f"{name} {parameter.opts[0]}"
            for parameter in command.params
            if isinstance(parameter, click.Option) and not parameter.help
        ]
    assert unexplained == []


def test_every_command_shows_its_help() -> None:
    for words in commands(program()):
        command = find(words)
        with click.Context(command, info_name=" ".join(("backupkeeper", *words))) as context:
            shown = command.get_help(context)
        assert shown.startswith("Usage: backupkeeper"), words


def spoken_commands(text: str) -> list[list[str]]:
    """Lines of a document's code blocks that call the program, without the program's name."""
    blocks = re.findall(r"^```[a-z]*\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    return [
        shlex.split(match.group(1), comments=True)
        for block in blocks
        for line in block.splitlines()
        if (match := re.match(r"(?:\$ )?(?:\S+/)?backupkeeper\s+([a-z-].*)", line.strip()))
    ]


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_the_documents_speak_only_of_commands_and_options_that_are_there(document: str) -> None:
    wrong = []
    for words in spoken_commands(source(document)):
        command: click.Command = program()
        for word in words:
            if isinstance(command, click.Group) and not word.startswith("-"):
                if word not in command.commands:
                    wrong.append(" ".join(words))
                    break
                command = command.commands[word]
        known = {
            option
            for parameter in (*program().params, *command.params)
            for option in (*parameter.opts, *parameter.secondary_opts)
        } | {"--help"}
        wrong += [
            f"{' '.join(words)}: {word}"
            for word in words
            if word.startswith("--") and word.split("=")[0] not in known
        ]
    assert wrong == []


def test_a_document_that_speaks_of_a_command_is_read() -> None:
    text = "```\n$ backupkeeper offload /cards/Wide --source Wide  # the card\n```\n"
    assert spoken_commands(text) == [["offload", "/cards/Wide", "--source", "Wide"]]


def test_the_pins_name_no_address() -> None:
    lines = [line for line in source("constraints.txt").splitlines() if line.strip()]
    assert lines
    assert [
        line for line in lines if not re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+", line)
    ] == []
