"""What a maker is told: the worst first, and no sentence a dozen times."""

from __future__ import annotations

from raster2path.guides.on_photo import lettered
from raster2path.model import Note, NoteKind
from raster2path.telling import N_NOTES, _letter_of, worst


def thin(width_mm: float) -> Note:
    return Note(NoteKind.THIN, f"the metal is only {width_mm} mm wide", 1j, width_mm)


def test_notes_that_differ_in_numbers_alone_are_counted_after_the_third() -> None:
    loose = Note(NoteKind.LOOSE, "a piece of metal, 12 × 22 mm, would fall out")
    told = worst((loose, *(thin(width / 10) for width in range(8, 17))))
    assert [note.sentence for note in told] == [
        "a piece of metal, 12 × 22 mm, would fall out",
        "the metal is only 0.8 mm wide",
        "the metal is only 0.9 mm wide",
        "the metal is only 1.0 mm wide, and 6 more like it",
    ]


def test_more_sorts_than_anybody_reads_are_counted_at_the_end() -> None:
    words = ("heron", "reed", "ferry", "kelp", "boat", "shed", "quay", "tide", "rope", "oar")
    notes = tuple(Note(NoteKind.PICTURE, f"{a} {b}") for a in words for b in words)
    told = worst(notes)
    assert told[:N_NOTES] == notes[:N_NOTES]
    assert told[-1].sentence == f"And {len(notes) - N_NOTES} smaller notes."


def test_a_question_is_asked_however_much_there_is_to_tell() -> None:
    words = ("heron", "reed", "ferry", "kelp", "boat", "shed", "quay", "tide", "rope", "oar")
    thin = tuple(Note(NoteKind.THIN, f"{a} {b}", 1j) for a in words for b in words[:3])
    asked = Note(NoteKind.DOUBT, "Is this a word? It is taken for a drawing", 5 + 5j)
    told = worst((*thin, asked))
    assert asked in told
    letter = {note: letter for letter, note in lettered(told)}[asked]
    assert _letter_of(letter, asked) == "M: is this a word? It is taken for a drawing (at 5, 5 mm)"
