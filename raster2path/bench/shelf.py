"""What stages made, by the hash of what they made it from; the longest unused leaves first."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, MutableMapping

from raster2path.model import Ink, Picture, Reading

MOST_PICTURES = 9
"""Nouns as large as the picture: some 40 MB each at 12 megapixels."""

MOST_OTHERS = 240


class Shelf(MutableMapping[str, object]):
    """A mapping that forgets, so that a long evening at the bench does not fill the memory."""

    def __init__(self) -> None:
        self._pictures: OrderedDict[str, object] = OrderedDict()
        self._others: OrderedDict[str, object] = OrderedDict()

    def __getitem__(self, told: str) -> object:
        place = self._pictures if told in self._pictures else self._others
        place.move_to_end(told)
        return place[told]

    def __setitem__(self, told: str, noun: object) -> None:
        is_large = isinstance(noun, (Picture, Ink, Reading))
        place, most = (self._pictures, MOST_PICTURES) if is_large else (self._others, MOST_OTHERS)
        place[told] = noun
        place.move_to_end(told)
        while len(place) > most:
            place.popitem(last=False)

    def __delitem__(self, told: str) -> None:
        del (self._pictures if told in self._pictures else self._others)[told]

    def __contains__(self, told: object) -> bool:
        return told in self._pictures or told in self._others

    def __iter__(self) -> Iterator[str]:
        yield from self._pictures
        yield from self._others

    def __len__(self) -> int:
        return len(self._pictures) + len(self._others)
