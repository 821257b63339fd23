"""Lifecycle rules of a bucket: what they do to what we put there, and adding one of ours.

Promises:
1. Setting our rule keeps every other one: all of them are read, ours is added, and nothing is sent
   unless what goes out says everything that came in, element by element. Afterwards the rules are
   read again and must be the old ones and ours.
2. Where the rules can't be read as what they are nothing is set.
3. A rule counts for us only if it certainly covers all that lies under our prefix; one that deletes
   counts as soon as it may cover any of it.

A store replaces the whole set at once, so what somebody else sets in that very instant is lost: the
service has no condition for it (Amazon S3's model of PutBucketLifecycleConfiguration).
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from botocore.exceptions import ClientError
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring

from backupkeeper.cloud.asking import said
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.errors import LIBRARY_ERRORS, code_and_status, translated
from backupkeeper.core.bucket_findings import MOST_DAYS, Word
from backupkeeper.core.errors import BackupkeeperError, ListingError, UsageError

RULE_ID: Final = "backupkeeper-unfinished-uploads"
ABORT_DAYS: Final = 35
"""Longer than any upload should take, and three weeks off, and some more."""
_ROOTS: Final = frozenset({"LifecycleConfiguration"})
_NONE: Final = frozenset({"NoSuchLifecycleConfiguration"})
_NOT_SENT: Final = "Nothing was changed."


@dataclass(frozen=True, kw_only=True, slots=True)
class Rules:
    """What the rules of a bucket do under our prefix."""

    aborts: Word
    abort_days: int | None = None
    deletes_days: int | None = None
    """0: on a set date."""


def our_rule(prefix: str) -> dict[str, Any]:
    """The rule that ends unfinished uploads, as the service's interface writes it."""
    return {
        "ID": RULE_ID,
        "Status": "Enabled",
        "Filter": {"Prefix": _below(prefix)},
        "AbortIncompleteMultipartUpload": {"DaysAfterInitiation": ABORT_DAYS},
    }


def _below(prefix: str) -> str:
    return f"{prefix}/" if prefix else ""


def rules_for(store: Store) -> Rules:
    """What the bucket's rules do to what is under our prefix.

    Raises:
        BackupkeeperError: The store could not be asked.
    """
    told = said(store, "get_bucket_lifecycle_configuration", roots=_ROOTS, none=_NONE)
    if told.word is not Word.YES:
        return Rules(aborts=told.word)
    rules = [rule for rule in _rules(told.answer) if rule.get("Status") == "Enabled"]
    mine = _below(store.prefix)
    aborts = [
        days
        for rule in rules
        if _covers_all(rule, mine)
        and (days := _days(rule.get("AbortIncompleteMultipartUpload"), "DaysAfterInitiation"))
    ]
    return Rules(
        aborts=Word.YES if aborts else Word.NO,
        abort_days=min(aborts, default=None),
        deletes_days=min(_deletions(rules, mine), default=None),
    )


def _rules(answer: Mapping[str, Any]) -> list[dict[str, Any]]:
    rules = answer.get("Rules")
    return [rule for rule in rules if isinstance(rule, dict)] if isinstance(rules, list) else []


def _days(table: object, key: str) -> int | None:
    days = table.get(key) if isinstance(table, dict) else None
    return min(days, MOST_DAYS) if isinstance(days, int) and days > 0 else None


def _deletions(rules: Sequence[Mapping[str, Any]], mine: str) -> Iterator[int]:
    for rule in rules:
        prefix = _prefix_of(rule)
        if not (mine.startswith(prefix) or prefix.startswith(mine)):
            continue
        expiry = rule.get("Expiration")
        if isinstance(expiry, dict) and (expiry.get("Days") or expiry.get("Date")):
            yield _days(expiry, "Days") or 0


def _covers_all(rule: Mapping[str, Any], mine: str) -> bool:
    """Whether a rule holds for everything below a prefix: no condition but a prefix of it."""
    narrow = rule.get("Filter")
    if isinstance(narrow, dict) and set(narrow) - {"Prefix"}:
        return False
    return mine.startswith(_prefix_of(rule))


def _prefix_of(rule: Mapping[str, Any]) -> str:
    narrow = rule.get("Filter")
    tables = [rule, narrow, narrow.get("And") if isinstance(narrow, dict) else None]
    found = [one["Prefix"] for one in tables if isinstance(one, dict) and one.get("Prefix")]
    return str(found[0]) if found else ""


# -- setting


@dataclass(slots=True)
class _Wire:
    """What travelled: the rules as they came, and as they would go."""

    came: bytes = b""
    goes: bytes = b""

    def note_came(self, response_dict: Mapping[str, Any], **_: object) -> None:
        """Keep the store's own text."""
        body = response_dict.get("body")
        self.came = body if isinstance(body, bytes) else b""

    def see_goes(self, params: Mapping[str, Any], **_: object) -> None:
        """See, before it is sent, that nothing is lost of what came."""
        body = params.get("body")
        self.goes = body if isinstance(body, bytes) else str(body or "").encode()
        if not _keeps_all(self.came, self.goes):
            raise _LossError


class _LossError(Exception):
    """The library would leave something out of the rules that are there."""


def set_our_rule(store: Store) -> bool:
    """Add the rule that ends unfinished uploads, keeping all others.

    Returns:
        Whether it had to be added: False where a rule does that already.

    Raises:
        UsageError: The rules can't be read whole, or the credentials may not read or set them.
            Nothing was changed.
        ListingError: They are not what they must be after they were set.
        BackupkeeperError: The store can't be reached.
    """
    if rules_for(store).aborts is Word.YES:
        return False
    wire, events = _Wire(), store.client.meta.events
    getting = "before-parse.s3.GetBucketLifecycleConfiguration"
    setting = "before-call.s3.PutBucketLifecycleConfiguration"
    events.register(getting, wire.note_came)
    events.register(setting, wire.see_goes)
    try:
        _set(store)
    finally:
        events.unregister(getting, wire.note_came)
        events.unregister(setting, wire.see_goes)
    return True


def _set(store: Store) -> None:
    before, more = _read(store)
    taken = {rule.get("ID") for rule in before}
    if RULE_ID in taken:
        raise UsageError(
            f"The bucket has a rule named {RULE_ID} already, and it does something else.",
            advice=f"{_NOT_SENT} Delete that rule at your provider, or see to it there.",
        )
    mine = our_rule(store.prefix)
    if before and all("Filter" not in rule for rule in before):
        mine["Prefix"] = mine.pop("Filter")["Prefix"]  # the two forms are not mixed
    whole: dict[str, Any] = {"LifecycleConfiguration": {"Rules": [*before, mine]}} | more
    try:
        store.client.put_bucket_lifecycle_configuration(Bucket=store.bucket, **whole)
    except _LossError as error:
        raise UsageError(
            "The bucket has lifecycle rules with something in them that this program does not know.",
            advice=f"{_NOT_SENT} Add the rule at your provider: --lifecycle-rule shows it.",
        ) from error
    except LIBRARY_ERRORS as error:
        raise _not_set(store, error) from error
    after, _ = _read(store)
    if _plain([*before, mine]) != _plain(after):
        raise ListingError(
            "After it was set the bucket's lifecycle rules are not the old ones and ours.",
            advice="See at your provider what stands there now.",
        )


def _not_set(store: Store, error: Exception) -> BackupkeeperError:
    if code_and_status(error)[1] in {400, 403, 405, 501} and isinstance(error, ClientError):
        code = code_and_status(error)[0]
        return UsageError(
            f"The bucket did not take the rule ({code}).",
            advice=f"{_NOT_SENT} Setting it needs s3:PutLifecycleConfiguration: use credentials "
            "that have it (--profile), or set it at your provider: --lifecycle-rule shows it.",
        )
    return translated(error, store.where)


_BESIDE: Final = "TransitionDefaultMinimumObjectSize"
"""A setting that stands beside the rules and is replaced with them."""


def _read(store: Store) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    told = said(store, "get_bucket_lifecycle_configuration", roots=_ROOTS, none=_NONE)
    if told.word is Word.NO:
        return [], {}
    if told.word is not Word.YES:
        why = {
            Word.NOT_ALLOWED: "The credentials are not allowed to read the bucket's lifecycle rules."
        }.get(told.word, "This store does not tell its lifecycle rules.")
        raise UsageError(
            why, advice=f"{_NOT_SENT} Set the rule at your provider: --lifecycle-rule shows it."
        )
    more = {_BESIDE: told.answer[_BESIDE]} if told.answer.get(_BESIDE) else {}
    return _rules(told.answer), more


def _plain(rules: Sequence[Mapping[str, Any]]) -> list[str]:
    """Rules in a form in which order, and how an empty prefix is written, make no difference."""

    def clean(value: object) -> object:
        if isinstance(value, dict):
            cleaned = {name: clean(one) for name, one in value.items()}
            return sorted(
                (name, str(one)) for name, one in cleaned.items() if one not in ("", [], None)
            )
        return [clean(one) for one in value] if isinstance(value, list) else value

    return sorted(str(clean(dict(rule))) for rule in rules)


def _keeps_all(came: bytes, goes: bytes) -> bool:
    """Whether every element that came, with its text, goes out again."""
    if not came:
        return False
    try:
        there, here = _leaves(came), _leaves(goes)
    except (ParseError, DefusedXmlException, ValueError):
        return False
    return there is None or (here is not None and not there - here)


def _leaves(data: bytes) -> Counter[tuple[str, str]] | None:
    """Each element without children: its path and text. None: it is no set of rules."""
    root = fromstring(data)
    if _name(root.tag) != "LifecycleConfiguration":
        return None
    found: Counter[tuple[str, str]] = Counter()
    todo = [(root, "")]
    while todo:
        node, path = todo.pop()
        here = f"{path}/{_name(node.tag)}"
        if len(node):
            todo.extend((child, here) for child in node)
        else:
            found[here, (node.text or "").strip()] += 1
    return found


def _name(tag: object) -> str:
    return str(tag).rpartition("}")[2]
