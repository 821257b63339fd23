"""The keys: for whom a bucket's files are encrypted, and showing that somebody can decrypt them.

Promise: that a key is there is believed only after something that was encrypted for its recipient was
decrypted with it. What is remembered of it is which recipient it was, when, and the person's own
words about where it is kept; never anything of the key itself.
"""

from collections.abc import Sequence

from backupkeeper.actions.context import Context
from backupkeeper.actions.encrypting import Encryption
from backupkeeper.core.errors import NoKeyError, UsageError
from backupkeeper.core.keys import BucketSecrecy, KeysReport
from backupkeeper.core.model import Event, EventKind, Place, PlaceId, PlaceKind, Standing
from backupkeeper.transfer.age import Identity, decrypted, encrypted

_NONE = "No key is asked for: [upload] encrypt_to is empty, and nothing is encrypted."


def report_keys(context: Context, encryption: Encryption) -> KeysReport:
    """What is known of the keys. Asks no bucket."""
    shown = context.catalog.latest(EventKind.KEYS_SHOWN).get(encryption.subject)
    where, *recipients = shown.detail.split("\n") if shown is not None else [""]
    return KeysReport(
        recipients=encryption.recipients,
        hide_names=encryption.hide_names,
        identity_file=context.config.upload.identity_file,
        buckets=tuple(
            _secrecy(context, place.id, place.name)
            for place in context.catalog.places()
            if place.kind is PlaceKind.BUCKET and place.standing is Standing.ACTIVE
        ),
        shown_at=shown.at if shown is not None and encryption.recipients else None,
        shown=tuple(recipients),
        where=where,
    )


def readable_note(context: Context, place: Place) -> str:
    """A sentence where the store can read files of a bucket although encryption is on; else empty."""
    if place.kind is not PlaceKind.BUCKET or not context.config.upload.encrypt_to:
        return ""
    files, _ = context.catalog.readable_at(place.id)
    if not files:
        return ""
    return f"{files:,} files were sent before encryption was on: the store can read them."


def readable_notes(context: Context) -> tuple[str, ...]:
    """The same for every bucket that is active, each with its name."""
    return tuple(
        f"{place.name}: {note}"
        for place in context.catalog.places()
        if place.standing is Standing.ACTIVE and (note := readable_note(context, place))
    )


def show_keys(
    context: Context, encryption: Encryption, identities: Sequence[Identity], where: str
) -> KeysReport:
    """Show that these keys decrypt what is encrypted for the configured recipients, and remember it.

    Args:
        context: the world.
        encryption: what is configured.
        identities: the keys.
        where: where they are kept, in the person's own words; one line.

    Raises:
        UsageError: none of them does, or nothing is to be encrypted.
    """
    opened = opened_by(context, encryption, identities)
    detail = "\n".join([" ".join(where.split()), *opened])
    happened = Event(
        at=context.clock.now(),
        kind=EventKind.KEYS_SHOWN,
        subject=encryption.subject,
        detail=detail,
    )
    context.catalog.note([happened])
    return report_keys(context, encryption)


def opened_by(
    context: Context, encryption: Encryption, identities: Sequence[Identity]
) -> tuple[str, ...]:
    """The recipients for whom something was encrypted, and decrypted with these keys, just now.

    Raises:
        UsageError: none, or nothing is to be encrypted.
    """
    if not encryption.recipients:
        raise UsageError(_NONE, advice="Write recipients there first.")
    opened = tuple(one for one in encryption.recipients if _opens(context, one, identities))
    if not opened:
        raise UsageError(
            "No key that was given decrypts what is encrypted for the recipients in "
            "[upload] encrypt_to.",
            advice="Nothing was changed. Check that the recipients are the public halves of your keys.",
        )
    return opened


def _opens(context: Context, recipient: str, identities: Sequence[Identity]) -> bool:
    words = context.entropy.new_id().encode()
    sealed = encrypted(words, [recipient])
    try:
        return decrypted(sealed, identities, "the test") == words
    except NoKeyError:
        return False


def _secrecy(context: Context, place: PlaceId, name: str) -> BucketSecrecy:
    held, _ = context.catalog.holdings(place)
    files, size = context.catalog.readable_at(place)
    return BucketSecrecy(
        name=name,
        encrypted_files=max(0, held - files),
        readable_files=files,
        readable_bytes=size,
    )
