"""Words on PDF pages in any of Europe's scripts. Private to `guides`.

The fonts that every PDF viewer has know Western Europe's letters only. Words with others are set in
DejaVu Sans, of which Latin, Greek and Cyrillic lie in `fonts` (with its licence), and go into the
file. Writings that neither knows come out as boxes.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from raster2path.units import Units

if TYPE_CHECKING:
    import io

    from reportlab.pdfgen.canvas import Canvas

FONTS = Path(__file__).parent / "fonts"
FILES = {"DejaVuSans": "DejaVuSans.ttf", "DejaVuSans-Bold": "DejaVuSans-Bold.ttf"}


def is_western(text: str) -> bool:
    """True where the fonts that every viewer has will do (their encoding is Windows' 1252)."""
    try:
        text.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


def face_for(text: str, face: str) -> str:
    """The face itself, or the one that stands in for it where it lacks a letter of the text."""
    if is_western(text) or face in FILES:
        return face
    _register()
    return "DejaVuSans-Bold" if "Bold" in face else "DejaVuSans"


@cache
def _register() -> None:
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    for name, file in FILES.items():
        registerFont(TTFont(name, str(FONTS / file)))


def canvas_on(
    stream: io.BytesIO, size_pt: tuple[float, float], title: str, units: Units = Units.MM
) -> Canvas:
    """A PDF that comes out the same, byte for byte, each time, and finds a face for every word.

    Words that it is given in millimetres come out in the units.
    """
    canvas = _canvas_class()(stream, pagesize=size_pt, invariant=1)
    canvas.units, canvas.title = units, title
    return canvas


@cache
def _canvas_class() -> type[Canvas]:
    """The canvas of reportlab, but words that a face lacks letters for are set in another one."""
    from reportlab.pdfgen.canvas import Canvas

    class AnyLetters(Canvas):  # type: ignore[misc]  # reportlab has no types
        units = Units.MM
        title = ""

        def _set(self, draw: Any, x: float, y: float, text: str, **more: Any) -> None:  # noqa: ANN401 (reportlab's own keywords)
            if self.title not in text:  # a name stays as it is
                text = self.units.told(text)
            face, size, leading = self._fontname, self._fontsize, self._leading
            other = face_for(text, face)
            if other == face:
                draw(x, y, text, **more)
                return
            self.setFont(other, size, leading)
            draw(x, y, text, **more)
            self.setFont(face, size, leading)

        def drawString(self, x: float, y: float, text: str, **more: Any) -> None:  # noqa: ANN401, N802
            self._set(super().drawString, x, y, text, **more)

        def drawRightString(self, x: float, y: float, text: str, **more: Any) -> None:  # noqa: ANN401, N802
            self._set(super().drawRightString, x, y, text, **more)

        def drawCentredString(self, x: float, y: float, text: str, **more: Any) -> None:  # noqa: ANN401, N802
            self._set(super().drawCentredString, x, y, text, **more)

        def stringWidth(  # noqa: N802
            self, text: str, fontName: str | None = None, fontSize: float | None = None
        ) -> float:
            face = face_for(text, fontName or self._fontname)
            return float(super().stringWidth(text, face, fontSize))

    return AnyLetters
