"""Bytes that are not those that should be read, and are known: another file of the footage lies there.

Promises:
1. Only all bytes of a file tell, read to their end: same size, XXH3-128 and block map as a content of a sealed
   roll. A file of no bytes is nobody's.
2. That it lies there, and that the other one does not, is recorded in one step.
"""

from dataclasses import replace

from backupkeeper.actions.context import Context
from backupkeeper.actions.recording import record_seen
from backupkeeper.core.model import Content, Fact, Result
from backupkeeper.core.moving import OTHER_LIES_THERE
from backupkeeper.transfer.coldread import ColdReading


def another_lies_there(
    context: Context, wanted: Content, fact: Fact, reading: ColdReading
) -> Fact | None:
    """What to say of a copy in whose place another known file was read; None where it was not.

    Args:
        context: the world.
        wanted: what should lie there.
        fact: that it was read, and matched: what is true of the other one but for its content.
        reading: all of it.
    """
    if reading.unreadable or not reading.size:
        return None
    if (reading.size, reading.block_map) == (wanted.size, wanted.block_map):
        return None
    alike = [
        one.blake3
        for one in context.catalog.contents_like(reading.size, reading.xxh128)
        if one.block_map == reading.block_map
    ]
    homes = context.catalog.homes_of(alike)
    if not homes:
        return None
    content = min(homes)
    folder, path = min(homes[content])
    other = replace(fact, content=content)
    missing = replace(fact, result=Result.MISSING, note=f"{OTHER_LIES_THERE}{folder}/{path}")
    record_seen(context, [other, missing])
    return missing
