"""From drawn outlines to fitted paths: what is lettering, and the lines and curves through it."""
