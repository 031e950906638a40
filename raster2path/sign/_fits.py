"""Whether the sign, with all that was added to it, fits on the blank."""

from __future__ import annotations

from raster2path.model import Note, NoteKind, Placement

SLACK_MM = 0.01


def fit_notes(placement: Placement) -> tuple[Note, ...]:
    """A note where the sign's box is larger than the sheet."""
    if placement.sheet_mm is None:
        return ()
    _, _, width, height = placement.sign_mm
    sheet_w, sheet_h = placement.sheet_mm
    if width <= sheet_w + SLACK_MM and height <= sheet_h + SLACK_MM:
        return ()
    return (
        Note(
            NoteKind.DOES_NOT_FIT,
            f"The sign is {width:.0f} × {height:.0f} mm; your sheet is {sheet_w:g} × {sheet_h:g}.",
            remedy="make it smaller with --width, or give a larger --sheet",
        ),
    )
