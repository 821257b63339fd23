"""Which camera or recorder a medium comes from, by configured rules."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class SourceRule:
    """What the cards of one source look like; every criterion that is given must hold.

    ``label`` is a pattern of the volume's label (None: any); ``folders`` must all be there;
    ``files`` are patterns of which at least one file must answer to one. ``shoot`` is the name that
    its shoots get, after the date (``Boatyard``).
    """

    name: str
    label: str | None = None
    folders: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    auto_offload: bool = False
    shoot: str = ""
