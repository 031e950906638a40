"""From a file to what was drawn, and the door from pixels to millimetres."""
