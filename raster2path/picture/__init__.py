"""From a file to what was drawn: photo, paper, ink, reading, rings, strokes, and the door to millimetres."""
