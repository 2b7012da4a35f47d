"""Resources made ready elsewhere: checked, their text written, their index rows worked out."""

from dataclasses import dataclass

from service.record.bodies import Unstamped
from service.store.contract import PackedIndex


@dataclass(frozen=True, slots=True)
class Prepared:
    """A resource as it shall be from now on, whatever the record has under its id.

    It has met the standard and the profiles that apply. ``programmes``: ids of those that it says
    it belongs to.
    """

    type: str
    id: str
    body: Unstamped
    index: PackedIndex
    programmes: tuple[str, ...] = ()
