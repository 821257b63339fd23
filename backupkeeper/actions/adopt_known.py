"""What of a folder that is taken in is known already, as the footage of rolls that lie elsewhere."""

from collections.abc import Sequence

from backupkeeper.actions.context import Context
from backupkeeper.core.model import RollFile, RollHead
from backupkeeper.core.naming import roll_id
from backupkeeper.manifests.old_list import tells_of_files


def new_among(
    context: Context, files: Sequence[RollFile]
) -> tuple[Sequence[RollFile], RollHead | None]:
    """Files that no roll has, and the roll that the others are most of; None where all make one roll.

    That is where more than half of the footage here is known, and one roll has more than half of its own
    here: else two cards only share some files, and each keeps its whole tree.
    """
    footage = [file for file in files if not tells_of_files(file.path)] or files
    sealed = context.catalog.sealed_among(file.content for file in files)
    known = {file.content for file in footage if file.content in sealed}
    new = [file for file in footage if file.content not in sealed]
    if not new or len(footage) >= 2 * (len(footage) - len(new)):
        return files, None
    ids = context.catalog.rolls_with(known)
    best: tuple[int, RollHead] | None = None
    for head in context.catalog.rolls():
        if head.id in ids:
            held = sum(file.content in known for file in context.catalog.roll(head.id).files)
            if 2 * held > head.file_count and (best is None or held > best[0]):
                best = held, head
    if best is None:
        return files, None
    return [file for file in files if file.content not in sealed], best[1]


def known_as(context: Context, files: Sequence[RollFile]) -> RollHead | None:
    """The roll that holds most of these contents, where rolls hold all of them; else None.

    Lists and histories beside the footage are not asked, for each place has its own.
    """
    footage = [file for file in files if not tells_of_files(file.path)] or files
    contents = {file.content for file in footage}
    if context.catalog.sealed_among(contents) != contents:
        return None
    ids = context.catalog.rolls_with(contents)
    heads = [head for head in context.catalog.rolls() if head.id in ids]
    own = roll_id((file.path, file.content) for file in files)

    def held(head: RollHead) -> tuple[bool, int]:
        roll = context.catalog.roll(head.id)
        return head.id == own, len(contents & {file.content for file in roll.files})

    return max(heads, key=held)


def only_here(context: Context, files: Sequence[RollFile]) -> list[str]:
    """Lists and histories beside known footage belong to no roll, so nothing copies them."""
    sealed = context.catalog.sealed_among(file.content for file in files)
    lone = sorted(file.path for file in files if file.content not in sealed)
    if not lone:
        return []
    more = f" (and {len(lone) - 1} more of older hashes)" if len(lone) > 1 else ""
    return [f"{lone[0]}{more} belongs to no roll: it stays only here."]
