"""Figures on pictures that nobody here made: what each is told for, against what is plain to see.

`python -m tests.learning.pictures FILE [FILE ...] [--words PATTERN ...] [--both PATTERN ...]`
Patterns of file names say what holds words alone and what holds words and drawings; all others
are drawings. The whole road is run over every picture, without any option.
"""

from __future__ import annotations

import argparse
from collections import Counter
from enum import Enum
from fnmatch import fnmatch
from pathlib import Path

from raster2path import pipeline
from raster2path.errors import Raster2PathError
from raster2path.geometry import Kind
from raster2path.job import Job
from raster2path.model import NoteKind, Outlines, Ring, Stroke


class Holds(Enum):
    """What is plain to see in a picture."""

    WORDS = "words"
    BOTH = "words and drawings"
    DRAWING = "a drawing"


def told(outlines: Outlines) -> Counter[Kind]:
    """How many outlines and lines are of each kind; one of two kinds counts for what is most."""
    lines: list[Ring | Stroke] = [*outlines.rings, *outlines.strokes]
    return Counter(Kind(Counter(line.kinds.tolist()).most_common(1)[0][0]) for line in lines)


def main() -> None:
    """Print a line for each picture, then how many outlines of what are told for what."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--words", nargs="*", default=[])
    parser.add_argument("--both", nargs="*", default=[])
    args = parser.parse_args()
    sums: dict[Holds, Counter[Kind]] = {holds: Counter() for holds in Holds}
    asked: Counter[Holds] = Counter()
    pictures: Counter[Holds] = Counter()
    for file in args.files:
        holds = Holds.DRAWING
        for patterns, kind in ((args.words, Holds.WORDS), (args.both, Holds.BOTH)):
            holds = kind if any(fnmatch(file.stem, p) for p in patterns) else holds
        try:
            outlines = pipeline.make(Job(name="picture", date="2000-01-01"), file).outlines
        except Raster2PathError as error:
            print(f"{file.stem:42s} {error}")
            continue
        kinds = told(outlines)
        n_asked = sum(note.kind is NoteKind.DOUBT for note in outlines.notes)
        sums[holds] += kinds
        asked[holds] += n_asked
        pictures[holds] += 1
        print(f"{file.stem:42s} {holds.value:20s} {_of(kinds)}  asked {n_asked}", flush=True)
    for holds in Holds:
        print(f"{pictures[holds]:3d} of {holds.value:20s} {_of(sums[holds])}  asked {asked[holds]}")


def _of(kinds: Counter[Kind]) -> str:
    return "  ".join(f"{kind.token} {kinds[kind]:4d}" for kind in Kind)


if __name__ == "__main__":
    main()
